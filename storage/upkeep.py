"""Backup and retention."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Final

from sqlalchemy import delete, func, select
from sqlalchemy.orm import InstrumentedAttribute

from gylewatch.errors import StorageError
from storage.database import Database
from storage.faults import explain
from storage.part import Part
from storage.schema import BatchRow, FloatRow, ProbeReadingRow, ReadingRow

PRUNED_AT_ONCE: Final = 5000
# In one transaction, for which new readings and every command wait: who first limits what years have gathered deletes
# hundreds of thousands. Float by float, because the index over the readings begins with it.


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

    def prune(self, readings_before: datetime) -> int:
        """Delete old readings and return how many; estimates, samples and alerts stay.

        Kept are readings of floats and probes since `readings_before`, and all that an active batch is made of,
        however old.
        """
        with self._database.reading() as connection:
            floats = connection.scalars(select(FloatRow.float_id)).all()
            vessels = connection.scalars(select(ProbeReadingRow.vessel_id).distinct()).all()
        return sum(
            [self._prune(ReadingRow, ReadingRow.float_id, BatchRow.float_id, name, readings_before) for name in floats]
            + [
                self._prune(ProbeReadingRow, ProbeReadingRow.vessel_id, BatchRow.vessel_id, name, readings_before)
                for name in vessels
            ]
        )

    def _prune(
        self,
        table: type[ReadingRow | ProbeReadingRow],
        of_row: InstrumentedAttribute[str],
        of_batch: InstrumentedAttribute[str],
        name: str,
        before: datetime,
    ) -> int:
        gone, more = 0, True
        active = select(func.min(BatchRow.pitched)).where(BatchRow.ended.is_(None), of_batch == name)
        while more:
            with self._database.writing() as connection:
                pitched = connection.scalar(active)
                until = before if pitched is None else min(before, pitched)
                old = select(table.id).where(of_row == name, table.time < until).limit(PRUNED_AT_ONCE)
                found = connection.execute(delete(table).where(table.id.in_(old))).rowcount
            gone += found
            more = found == PRUNED_AT_ONCE
        return gone


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
