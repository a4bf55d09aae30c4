"""Backup and retention."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path

from sqlalchemy import delete, exists, select

from gylewatch.errors import StorageError
from storage.database import Database
from storage.faults import explain
from storage.part import Part
from storage.schema import BatchRow, ProbeReadingRow, ReadingRow


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
        wanted = exists(
            select(BatchRow.batch_id).where(
                BatchRow.ended.is_(None), BatchRow.float_id == ReadingRow.float_id, BatchRow.pitched <= ReadingRow.time
            )
        )
        measured = ProbeReadingRow.time
        compared = exists(
            select(BatchRow.batch_id).where(
                BatchRow.ended.is_(None), BatchRow.vessel_id == ProbeReadingRow.vessel_id, BatchRow.pitched <= measured
            )
        )
        with self._database.writing() as connection:
            probes = connection.execute(delete(ProbeReadingRow).where(measured < readings_before, ~compared)).rowcount
            floats = connection.execute(delete(ReadingRow).where(ReadingRow.time < readings_before, ~wanted)).rowcount
        return floats + probes


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
