"""Renaming a float or a vessel: everything that is kept under the old name goes on under the new one."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, delete, insert, select, update

from gylewatch.errors import NotFound
from gylewatch.values import FloatId, VesselId
from storage.batches import batch_columns, batch_record
from storage.counters import save_counters
from storage.part import Part
from storage.records import FloatRecord, VesselRecord
from storage.registry import insert_float, insert_vessel
from storage.schema import BatchRow, CalibrationRow, CurveRow, FloatRow, ProbeReadingRow, ReadingRow, VesselRow


class Renaming(Part):
    """Each in one transaction. What was told stays as it was told, and what was refused as it was refused.

    No key of the schema follows another one, and PostgreSQL would check each at once: so the new name is made known
    first, then what belongs to the old one is moved, and then the old one goes.
    """

    def rename_float(self, old: FloatId, new: FloatId) -> None:
        """Let a float have another name; its radio address, curves, calibration, readings and batches follow.

        Raises
        ------
        AlreadyExists
            A float of the new name is there.
        NotFound
            No float has the old name.
        """
        with self._database.writing() as connection:
            row = connection.execute(select(FloatRow).where(FloatRow.float_id == old)).one_or_none()
            if row is None:
                raise NotFound("float", old, "list them with: gylewatch float list")
            # Two floats cannot have one address, not even for a moment.
            connection.execute(update(FloatRow).where(FloatRow.float_id == old).values(address=None))
            insert_float(connection, FloatRecord(float_id=new, address=row.address, note=row.note, created=row.created))
            if row.advert_counter is not None:
                save_counters(connection, {new: row.advert_counter})
            _copy_curves(connection, old, new)
            _change_batches(connection, BatchRow.float_id == old, float_id=new)
            connection.execute(update(ReadingRow).where(ReadingRow.float_id == old).values(float_id=new))
            _move_calibration(connection, old, new)
            for table in (CurveRow, FloatRow):
                connection.execute(delete(table).where(table.float_id == old))

    def rename_vessel(self, old: VesselId, new: VesselId) -> None:
        """Let a vessel have another name; its batches, and what its own probe measured, follow.

        Raises
        ------
        AlreadyExists
            A vessel of the new name is there.
        NotFound
            No vessel has the old name.
        """
        with self._database.writing() as connection:
            row = connection.execute(select(VesselRow).where(VesselRow.vessel_id == old)).one_or_none()
            if row is None:
                raise NotFound("vessel", old, "list them with: gylewatch vessel list")
            insert_vessel(
                connection, VesselRecord(vessel_id=new, volume_l=row.volume_l, note=row.note, created=row.created)
            )
            _change_batches(connection, BatchRow.vessel_id == old, vessel=new)
            measured = update(ProbeReadingRow).where(ProbeReadingRow.vessel_id == old)
            connection.execute(measured.values(vessel_id=new))
            connection.execute(delete(VesselRow).where(VesselRow.vessel_id == old))


def _copy_curves(connection: Connection, old: FloatId, new: FloatId) -> None:
    for row in connection.execute(select(CurveRow.__table__).where(CurveRow.float_id == old)).mappings().all():
        points = [{**point, "float_id": new} for point in row["reference_points"]]
        named = {"float_id": new, "curve": {**row["curve"], "float": new}, "reference_points": points}
        connection.execute(insert(CurveRow).values(**{**row, **named}))


def _move_calibration(connection: Connection, old: FloatId, new: FloatId) -> None:
    own = CalibrationRow.float_id == old
    session = connection.scalar(select(CalibrationRow.session).where(own))
    if session is not None:
        named = {"float_id": new, "session": {**session, "float": new}}
        connection.execute(update(CalibrationRow).where(own).values(**named))


def _change_batches(connection: Connection, those: Any, **change: Any) -> None:
    for record in [batch_record(row) for row in connection.execute(select(BatchRow).where(those)).all()]:
        columns = batch_columns(replace(record.batch, **change))
        connection.execute(update(BatchRow).where(BatchRow.batch_id == record.batch_id).values(**columns))
