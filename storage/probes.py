"""What the vessels' own probes reported."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import select

from gylewatch.values import ProbeReading, VesselId
from storage.database import insert_new
from storage.part import Part
from storage.readings import CHUNK_ROWS, in_period
from storage.schema import ProbeReadingRow
from storage.stored import probe_reading_from_columns


class Probes(Part):
    """Temperatures by vessel, keyed by probe and time: a repeat changes nothing."""

    def append_probe_readings(self, readings: Sequence[ProbeReading]) -> int:
        """Save readings in one transaction and return how many were new."""
        if not readings:
            return 0
        new = 0
        with self._database.writing() as connection:
            statement = insert_new(connection, ProbeReadingRow, ["probe", "time"])
            statement = statement.execution_options(preserve_rowcount=True)
            for start in range(0, len(readings), CHUNK_ROWS):
                rows = [_to_columns(reading) for reading in readings[start : start + CHUNK_ROWS]]
                new += connection.execute(statement, rows).rowcount
        return new

    def probe_readings(
        self,
        vessel: VesselId,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        limit: int | None = None,
    ) -> tuple[ProbeReading, ...]:
        """What was measured in a vessel with ``since <= time < until``, in order of time.

        Parameters
        ----------
        limit : at most so many, the newest ones
        """
        row = ProbeReadingRow
        query = in_period(select(row.__table__).where(row.vessel_id == vessel), row.time, since, until)
        with self._database.reading() as connection:
            rows = connection.execute(query.order_by(row.time.desc()).limit(limit)).mappings().all()
        return tuple(probe_reading_from_columns(each) for each in reversed(rows))

    def probe_readings_after(
        self, vessel: VesselId, cursor: int, limit: int, *, since: datetime | None = None
    ) -> tuple[tuple[int, ProbeReading], ...]:
        """At most `limit` readings in a vessel, measured from `since` on, that arrived after the one with id `cursor`.

        With their ids, in order of arrival.
        """
        row = ProbeReadingRow
        query = select(row.__table__).where(row.vessel_id == vessel, row.id > cursor)
        query = in_period(query, row.time, since, None)
        with self._database.reading() as connection:
            rows = connection.execute(query.order_by(row.id).limit(limit)).mappings().all()
        return tuple((each["id"], probe_reading_from_columns(each)) for each in rows)


def _to_columns(reading: ProbeReading) -> dict[str, Any]:
    return {
        "vessel_id": reading.vessel,
        "probe": reading.probe,
        "time": reading.time,
        "temperature_c": reading.temperature_c,
    }
