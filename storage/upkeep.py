"""Backup and retention."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Select, bindparam, delete, func, select, update
from sqlalchemy.orm import InstrumentedAttribute

from gylewatch.errors import StorageError
from gylewatch.values import BatchId
from storage.database import Database
from storage.faults import explain
from storage.outcomes import EMPTIED, not_emptied
from storage.part import Part
from storage.schema import BatchRow, BatchStateRow, EstimateRow, FloatRow, ProbeReadingRow, ReadingRow, SampleRow
from storage.thinning import between_hours

PRUNED_AT_ONCE: Final = 5000
# In one transaction, for which new readings and every command wait: who first limits what years have gathered deletes
# hundreds of thousands. Float by float, because the index over the readings begins with it.

THINNED_AT_ONCE: Final = 5000  # estimates looked at in one transaction, for the same reason

Rest = Callable[[], bool]
"""Lets others write, who wait meanwhile; whether to leave what is not done for another night."""


def no_rest() -> bool:
    """Go on at once."""
    return False


class Upkeep(Part):
    """What is done to the whole database."""

    def backup(self, path: str | os.PathLike[str]) -> None:
        """Write a copy of a SQLite database to `path`, complete or not at all, while it is in use.

        A file that is there is replaced.

        Raises
        ------
        StorageError
            The copy cannot be written, `path` is the database itself, or the database is on a server.
        """
        source = self._database.place.path
        if source is None:
            raise StorageError(
                f"database {self._database.place.shown}: only a SQLite file can be copied;"
                " use the database server's own backup tools",
                retry=False,
            )
        target = Path(path)
        if target.resolve() == source.resolve():
            raise StorageError(f"backup {target}: this is the database itself; name another file", retry=False)
        _copy(self._database, source, target)

    def prune(self, readings_before: datetime, *, rest: Rest = no_rest) -> int:
        """Delete old readings and return how many; estimates, samples and alerts stay.

        Kept are readings of floats and probes since `readings_before`, and all that an active batch is made of,
        however old.

        Parameters
        ----------
        rest : between two pieces
        """
        return _done(self._pruning(readings_before), rest)

    def thin_estimates(self, ended_before: datetime, *, rest: Rest = no_rest) -> int:
        """Leave one estimate an hour of each batch that ended before a time, and return how many were deleted.

        Kept are the last of each hour, so the last of all as well, the first that a reading led to, and those of the
        times of samples. The state of such a batch is emptied, and what comes from before its end is not read any
        more. Left alone is a batch without a state: it is being read (again).

        Parameters
        ----------
        rest : between two pieces
        """
        return _done(self._thinning(ended_before), rest)

    def _pruning(self, before: datetime) -> Iterator[int]:
        with self._database.reading() as connection:
            floats = connection.scalars(select(FloatRow.float_id)).all()
            vessels = connection.scalars(select(ProbeReadingRow.vessel_id).distinct()).all()
        for name in floats:
            yield from self._prune(ReadingRow, ReadingRow.float_id, BatchRow.float_id, name, before)
        for name in vessels:
            yield from self._prune(ProbeReadingRow, ProbeReadingRow.vessel_id, BatchRow.vessel_id, name, before)

    def _prune(
        self,
        table: type[ReadingRow | ProbeReadingRow],
        of_row: InstrumentedAttribute[str],
        of_batch: InstrumentedAttribute[str],
        name: str,
        before: datetime,
    ) -> Iterator[int]:
        found = PRUNED_AT_ONCE
        active = select(func.min(BatchRow.pitched)).where(BatchRow.ended.is_(None), of_batch == name)
        while found == PRUNED_AT_ONCE:
            with self._database.writing() as connection:
                pitched = connection.scalar(active)
                until = before if pitched is None else min(before, pitched)
                old = select(table.id).where(of_row == name, table.time < until).limit(PRUNED_AT_ONCE)
                found = connection.execute(delete(table).where(table.id.in_(old))).rowcount
            yield found

    def _thinning(self, ended_before: datetime) -> Iterator[int]:
        with self._database.reading() as connection:
            ended = connection.scalars(_not_thinned(ended_before)).all()
        for batch_id in ended:
            yield from self._thin(BatchId(batch_id), ended_before)

    def _thin(self, batch_id: BatchId, ended_before: datetime) -> Iterator[int]:
        since, looked_at = None, THINNED_AT_ONCE
        while looked_at == THINNED_AT_ONCE:
            with self._database.writing() as connection:
                still = _not_thinned(ended_before).where(BatchRow.batch_id == batch_id)
                if connection.scalar(still) is None:  # reopened or removed meanwhile, or being read again
                    return
                times = _estimate_times(connection, batch_id, since)
                gone = _delete_between(connection, batch_id, times, is_first=since is None)
                looked_at = len(times)
                if looked_at < THINNED_AT_ONCE:
                    own = BatchStateRow.batch_id == batch_id
                    connection.execute(update(BatchStateRow).where(own).values(state=EMPTIED))
            yield gone
            since = times[-1] if times else None  # stays so far: the next ones say whether it is the last of its hour


def _done(pieces: Iterator[int], rest: Rest) -> int:
    """What all pieces come to, or those before the rest is left for another night."""
    gone = 0
    for piece in pieces:
        gone += piece
        if piece and rest():
            break
    return gone


def _not_thinned(ended_before: datetime) -> Select[Any]:
    query = select(BatchRow.batch_id).join(BatchStateRow, BatchStateRow.batch_id == BatchRow.batch_id)
    return query.where(BatchRow.ended < ended_before, not_emptied())


def _estimate_times(connection: Connection, batch_id: BatchId, since: datetime | None) -> Sequence[datetime]:
    """The next times of a batch's estimates, from `since` on."""
    query = select(EstimateRow.time).where(EstimateRow.batch_id == batch_id)
    query = query if since is None else query.where(EstimateRow.time >= since)
    return connection.scalars(query.order_by(EstimateRow.time).limit(THINNED_AT_ONCE)).all()


def _delete_between(connection: Connection, batch_id: BatchId, times: Sequence[datetime], *, is_first: bool) -> int:
    """Delete those of `times` that are not to be kept, and return how many; the last of them stays."""
    sampled = connection.scalars(select(SampleRow.time).where(SampleRow.batch_id == batch_id)).all()
    runs = between_hours(times, sampled, keep_first=is_first)
    if runs:
        row = EstimateRow
        # A stretch at a time: each of its rows alone would take ten statements an hour or sixty.
        own = (row.batch_id == batch_id, row.time >= bindparam("low"), row.time <= bindparam("high"))
        connection.execute(delete(row).where(*own), [{"low": times[low], "high": times[high]} for low, high in runs])
    return sum(high - low + 1 for low, high in runs)


def _copy(database: Database, source: Path, target: Path) -> None:
    part = target.with_name(target.name + ".part")
    try:
        part.unlink(missing_ok=True)
        with closing(sqlite3.connect(source)) as original, closing(sqlite3.connect(part)) as copy:
            original.backup(copy)
            # One file, without companions: that is what people copy and carry away.
            copy.execute("PRAGMA journal_mode=DELETE")
        os.replace(part, target)
    except (sqlite3.Error, OSError) as error:
        part.unlink(missing_ok=True)
        fault = explain(error, str(target), target)
        raise StorageError(f"backup of {database.place.shown} to {fault}", retry=fault.retry) from error
