"""Readings, and the packets that were refused."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from itertools import chain
from typing import Any, Final

from sqlalchemy import Connection, Select, delete, func, insert, select, update
from sqlalchemy.orm import aliased

from collector.packet import Reason, Rejected
from gylewatch.values import FloatId, Reading
from storage.counters import NO_COUNTERS, save_counters
from storage.curves import require_floats
from storage.database import upsert
from storage.part import Part
from storage.schema import FloatRow, ReadingRow, RejectedCountRow, RejectedRow
from storage.stored import (
    READING_COLUMNS,
    reading_from_columns,
    reading_to_row,
    reading_to_text_row,
    rejected_from_columns,
    rejected_to_columns,
)

# Rows handed to the driver at once: larger gives no more speed (measured at 100 and 1,000), only more memory.
CHUNK_ROWS = 1_000


def _insert(place: str, rows: int) -> str:
    """The statement that leaves out readings which are there already; `place` is the driver's mark for a value."""
    row = f"({', '.join([place] * len(READING_COLUMNS))})"
    return (
        f"INSERT INTO {ReadingRow.__tablename__} ({', '.join(READING_COLUMNS)}) "  # noqa: S608
        f"VALUES {', '.join([row] * rows)} ON CONFLICT (float_id, time) DO NOTHING"
    )


# Every packet comes this way. The library's own expression of the statement would look at each value again, which
# nearly doubles the cost of a row; and SQLite's driver lets other threads run at each statement, so that a statement
# for each row would wait for them each time. Few sizes, because the driver keeps what it has prepared.
_SQLITE_INSERTS = {rows: _insert("?", rows) for rows in (200, 20, 1)}
_POSTGRESQL_INSERT = _insert("%s", 1)
_COUNTED: Final = {"preserve_rowcount": True}

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
        insert = _insert_into_sqlite if self._database.is_sqlite else _insert_into_postgresql
        with self._database.writing() as connection:
            require_floats(connection, {reading.float_id for reading in readings})
            for start in range(0, len(readings), CHUNK_ROWS):
                new += insert(connection, readings[start : start + CHUNK_ROWS])
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
        one = aliased(ReadingRow)
        newest = select(one.id).where(one.float_id == FloatRow.float_id).order_by(one.time.desc()).limit(1)
        # By its key: asked for float and time, SQLite looked at every reading there is, seconds after some years.
        of_float = ReadingRow.id == newest.correlate(FloatRow).scalar_subquery()
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

    def last_reading_row(self, float_id: FloatId) -> int:
        """The id of the reading of a float that arrived last; 0: it has none."""
        with self._database.reading() as connection:
            return connection.scalar(select(func.max(ReadingRow.id)).where(ReadingRow.float_id == float_id)) or 0

    def readings_by_time(
        self, float_id: FloatId, since: datetime, *, until_row: int, limit: int
    ) -> tuple[Reading, ...]:
        """At most `limit` readings of a float, the earliest from `since` on, in order of time.

        Parameters
        ----------
        until_row : those that arrived after the one with this id are left out
        """
        query = select(ReadingRow).where(ReadingRow.float_id == float_id, ReadingRow.id <= until_row)
        query = in_period(query, ReadingRow.time, since, None).order_by(ReadingRow.time).limit(limit)
        with self._database.reading() as connection:
            return tuple(reading_from_columns(row) for row in connection.execute(query).mappings().all())

    def append_rejected(self, rejected: Sequence[Rejected], *, counters: Mapping[FloatId, int] = NO_COUNTERS) -> None:
        """Count refused packets by reason and keep the newest of them; `counters` as in `append_readings`.

        Of values left out of readings only the newest is kept for each float: a gauge that is wrong once is wrong in
        every reading, and would drive out what else was refused.
        """
        if not rejected:
            return
        kept = _newest(rejected)[-KEPT_REJECTED:]
        gauges = {item.float_id for item in kept if item.reading_is_kept}
        with self._database.writing() as connection:
            if gauges:
                is_older = (RejectedRow.reason == Reason.VALUE_LEFT_OUT) & RejectedRow.float_id.in_(gauges)
                connection.execute(delete(RejectedRow).where(is_older))
            connection.execute(insert(RejectedRow), [rejected_to_columns(item) for item in kept])
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
        """How many packets were ever refused, or told of what was left out of them, by reason."""
        query = select(RejectedCountRow.reason, RejectedCountRow.count).order_by(RejectedCountRow.reason)
        with self._database.reading() as connection:
            return {row["reason"]: row["count"] for row in connection.execute(query).mappings().all()}


def _newest(rejected: Sequence[Rejected]) -> list[Rejected]:
    """`rejected` with the last one only of the values left out of one float's readings."""
    last = {item.float_id: place for place, item in enumerate(rejected) if item.reading_is_kept}
    return [item for place, item in enumerate(rejected) if not item.reading_is_kept or last[item.float_id] == place]


def _insert_into_sqlite(connection: Connection, readings: Sequence[Reading]) -> int:
    new = done = 0
    for size, statement in _SQLITE_INSERTS.items():
        while len(readings) - done >= size:
            values = tuple(chain.from_iterable(map(reading_to_text_row, readings[done : done + size])))
            new += connection.exec_driver_sql(statement, values, _COUNTED).rowcount
            done += size
    return new


def _insert_into_postgresql(connection: Connection, readings: Sequence[Reading]) -> int:
    return connection.exec_driver_sql(_POSTGRESQL_INSERT, [*map(reading_to_row, readings)], _COUNTED).rowcount


def in_period(query: Select[Any], column: Any, since: datetime | None, until: datetime | None) -> Select[Any]:
    """`query` where ``since <= column < until``; None leaves that side open."""
    if since is not None:
        query = query.where(column >= since)
    if until is not None:
        query = query.where(column < until)
    return query
