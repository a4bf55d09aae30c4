"""Versions of calibration curves. Nothing is overwritten."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, func, insert, select
from sqlalchemy.engine import Row

from calibration.curve import Curve
from gylewatch.errors import NotFound
from gylewatch.values import FloatId, Reference
from storage.part import Part
from storage.records import CurveRecord
from storage.schema import CurveRow, FloatRow
from storage.stored import references_from_json, references_to_json

_ADD_FLOAT = "add it first with: gylewatch float add"


class Curves(Part):
    """The calibrations of each float: who, when, from what."""

    def add_curve(
        self, curve: Curve, references: Sequence[Reference], *, who: str, note: str, created: datetime
    ) -> int:
        """Save a new version of the curve of its float and return its number; the first is 1.

        Raises
        ------
        NotFound
            The curve's float is not known.
        """
        with self._database.writing() as connection:
            require_float(connection, curve.float_id)
            version = (current_version(connection, curve.float_id) or 0) + 1
            connection.execute(
                insert(CurveRow).values(
                    float_id=curve.float_id,
                    version=version,
                    created=created,
                    who=who,
                    note=note,
                    curve=curve.to_json(),
                    reference_points=references_to_json(references),
                )
            )
        return version

    def curves(self, float_id: FloatId) -> tuple[CurveRecord, ...]:
        """All versions of a float's curve, the first one first."""
        query = select(CurveRow).where(CurveRow.float_id == float_id).order_by(CurveRow.version)
        with self._database.reading() as connection:
            return tuple(_curve_record(row) for row in connection.execute(query).all())

    def current_curve(self, float_id: FloatId) -> CurveRecord | None:
        """The newest version of a float's curve."""
        found = self.curves(float_id)
        return found[-1] if found else None

    def curve(self, float_id: FloatId, version: int) -> CurveRecord:
        """One version of a float's curve.

        Raises
        ------
        NotFound
            That float has no such version.
        """
        query = select(CurveRow).where(CurveRow.float_id == float_id, CurveRow.version == version)
        with self._database.reading() as connection:
            row = connection.execute(query).one_or_none()
        if row is None:
            raise NotFound("curve", f"{float_id} version {version}", "list them with: gylewatch curve list")
        return _curve_record(row)


def require_float(connection: Connection, float_id: str) -> None:
    """Raise `NotFound` unless the float is known."""
    if connection.scalar(select(FloatRow.float_id).where(FloatRow.float_id == float_id)) is None:
        raise NotFound("float", float_id, _ADD_FLOAT)


def require_floats(connection: Connection, float_ids: Collection[str]) -> None:
    """Raise `NotFound` for the first of the floats, by name, that is not known; one query for all of them."""
    found = connection.scalars(select(FloatRow.float_id).where(FloatRow.float_id.in_(float_ids)))
    missing = sorted(set(float_ids).difference(found))
    if missing:
        raise NotFound("float", missing[0], _ADD_FLOAT)


def current_version(connection: Connection, float_id: str) -> int | None:
    """The number of the newest version of a float's curve."""
    return connection.scalar(select(func.max(CurveRow.version)).where(CurveRow.float_id == float_id))


def _curve_record(row: Row[Any]) -> CurveRecord:
    return CurveRecord(
        float_id=FloatId(row.float_id),
        version=row.version,
        created=row.created,
        who=row.who,
        note=row.note,
        curve=Curve.from_json(row.curve),
        references=references_from_json(row.reference_points),
    )
