"""Calibrations in progress: one for each float, saved after every answer."""

from __future__ import annotations

from sqlalchemy import delete, select

from calibration.session import Session, from_json, to_json
from gylewatch.values import FloatId
from storage.curves import require_float
from storage.database import upsert
from storage.part import Part
from storage.schema import CalibrationRow


class Calibrations(Part):
    """What is measured so far on the way to a curve."""

    def calibration(self, float_id: FloatId) -> Session | None:
        """The calibration of a float in progress; None: there is none.

        Raises
        ------
        CalibrationError
            What is stored is damaged, or of another version of gylewatch.
        """
        with self._database.reading() as connection:
            found = connection.scalar(select(CalibrationRow.session).where(CalibrationRow.float_id == float_id))
        return None if found is None else from_json(found)

    def keep_calibration(self, session: Session) -> None:
        """Save a calibration in progress in place of what was there.

        Raises
        ------
        NotFound
            The float is not known.
        """
        row = {"float_id": session.float_id, "session": to_json(session)}
        with self._database.writing() as connection:
            require_float(connection, session.float_id)
            upsert(connection, CalibrationRow, row, keys=["float_id"], change={"session": row["session"]})

    def forget_calibration(self, float_id: FloatId) -> None:
        """End the calibration of a float in progress; curves that were accepted stay."""
        with self._database.writing() as connection:
            connection.execute(delete(CalibrationRow).where(CalibrationRow.float_id == float_id))
