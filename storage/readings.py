"""Readings, and the packets that were refused."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Select, delete, func, insert, select, update

from collector.packet import Rejected
from gylewatch.values import FloatId, Reading
from storage.counters import NO_COUNTERS, save_counters
from storage.curves import require_floats
from storage.database import insert_new, upsert
from storage.part import Part
from storage.schema import FloatRow, ReadingRow, RejectedCountRow, RejectedRow
from storage.stored import (
    reading_from_columns,
    reading_to_columns,
    rejected_from_columns,
    rejected_to_columns,
)

# Rows handed to the driver at once: larger gives no more speed (measured at 100 and 1,000), only more memory.
CHUNK_ROWS = 1_000

# Enough to see what is wrong, and at 512 bytes of payload each a bound of about 1 MB.
KEPT_REJECTED = 1_000


class Readings(Part):
    """What floats reported, keyed by float and time: a repeat changes nothing."""

    def append_readings(self, readings: Sequence[Reading], *, counters: Mapping[FloatId, int] = NO_COUNTERS) -> int:
        """Save readings in one transaction and return how many were new. When this returns they are on the disk.

        Parameters
        ----------
        counters : of encrypted advertisements, by float; saved in the same transaction

        Raises
        ------
        NotFound
            A reading's float is not known; nothing was saved.
        """
        if not readings:
            return 0
        new = 0
        with self._database.writing() as connection:
            require_floats(connection, {reading.float_id for reading in readings})
            statement = insert_new(connection, ReadingRow, ["float_id", "time"])
            statement = statement.execution_options(preserve_rowcount=True)
            for start in range(0, len(readings), CHUNK_ROWS):
                rows = [reading_to_columns(reading) for reading in readings[start : start + CHUNK_ROWS]]
                new += connection.execute(statement, rows).rowcount
            save_counters(connection, counters)
        return new

    def keep_signals(self, readings: Sequence[Reading]) -> None:
        """Raise the signal of stored readings to that of `readings`, which another receiver has heard better."""
        with self._database.writing() as connection:
            for reading in readings:
                stored = (ReadingRow.float_id == reading.float_id) & (ReadingRow.time == reading.time)
                is_better = ReadingRow.rssi_dbm.is_(None) | (ReadingRow.rssi_dbm < reading.rssi_dbm)
                change = update(ReadingRow).where(stored, is_better).values(rssi_dbm=reading.rssi_dbm)
                connection.execute(change)

    def readings(
        self,
        float_id: FloatId,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        limit: int | None = None,
    ) -> tuple[Reading, ...]:
        """Readings of a float with ``since <= time < until``, in order of time.

        Parameters
        ----------
        limit : at most so many, the newest ones
        """
        query = in_period(select(ReadingRow).where(ReadingRow.float_id == float_id), ReadingRow.time, since, until)
        with self._database.reading() as connection:
            rows = connection.execute(query.order_by(ReadingRow.time.desc()).limit(limit)).mappings().all()
        return tuple(reading_from_columns(row) for row in reversed(rows))

    def latest_reading(self, float_id: FloatId) -> Reading | None:
        """The reading of a float with the newest time."""
        found = self.readings(float_id, limit=1)
        return found[0] if found else None

    def latest_readings(self) -> Mapping[FloatId, Reading]:
        """The reading with the newest time of every float that has one."""
        newest = select(func.max(ReadingRow.time)).where(ReadingRow.float_id == FloatRow.float_id).correlate(FloatRow)
        of_float = (ReadingRow.float_id == FloatRow.float_id) & (ReadingRow.time == newest.scalar_subquery())
        with self._database.reading() as connection:
            rows = connection.execute(select(ReadingRow).join_from(FloatRow, ReadingRow, of_float)).mappings().all()
        return {FloatId(row["float_id"]): reading_from_columns(row) for row in rows}

    def readings_after(self, float_id: FloatId, cursor: int, limit: int) -> tuple[tuple[int, Reading], ...]:
        """At most `limit` readings of a float that arrived after the one with id `cursor` (0: all).

        With their ids, in order of arrival: a late one is not missed.
        """
        query = select(ReadingRow).where(ReadingRow.float_id == float_id, ReadingRow.id > cursor)
        with self._database.reading() as connection:
            rows = connection.execute(query.order_by(ReadingRow.id).limit(limit)).mappings().all()
        return tuple((row["id"], reading_from_columns(row)) for row in rows)

    def append_rejected(self, rejected: Sequence[Rejected], *, counters: Mapping[FloatId, int] = NO_COUNTERS) -> None:
        """Count refused packets by reason and keep the newest of them; `counters` as in `append_readings`."""
        if not rejected:
            return
        with self._database.writing() as connection:
            connection.execute(insert(RejectedRow), [rejected_to_columns(item) for item in rejected[-KEPT_REJECTED:]])
            surplus = select(RejectedRow.id).order_by(RejectedRow.id.desc()).offset(KEPT_REJECTED).limit(1)
            connection.execute(delete(RejectedRow).where(RejectedRow.id <= surplus.scalar_subquery()))
            for reason, count in Counter(item.reason for item in rejected).items():
                upsert(
                    connection,
                    RejectedCountRow,
                    {"reason": reason, "count": count},
                    keys=["reason"],
                    change={"count": RejectedCountRow.count + count},
                )
            save_counters(connection, counters)

    def rejected(self, limit: int = KEPT_REJECTED) -> tuple[Rejected, ...]:
        """The refused packets that are kept, the newest first."""
        query = select(RejectedRow).order_by(RejectedRow.id.desc()).limit(limit)
        with self._database.reading() as connection:
            return tuple(rejected_from_columns(row) for row in connection.execute(query).mappings().all())

    def rejected_counts(self) -> Mapping[str, int]:
        """How many packets were ever refused, by reason."""
        query = select(RejectedCountRow.reason, RejectedCountRow.count).order_by(RejectedCountRow.reason)
        with self._database.reading() as connection:
            return {row["reason"]: row["count"] for row in connection.execute(query).mappings().all()}


def in_period(query: Select[Any], column: Any, since: datetime | None, until: datetime | None) -> Select[Any]:
    """`query` where ``since <= column < until``; None leaves that side open."""
    if since is not None:
        query = query.where(column >= since)
    if until is not None:
        query = query.where(column < until)
    return query
