"""One service for one database: a second one would judge everything again, and tell it twice."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from functools import partial
from pathlib import Path

from gylewatch.errors import StorageError
from storage.part import Part


class Claim(Part):
    """Which service works on the database. Commands that read and write beside it need no claim."""

    def claim(self) -> Callable[[], None]:
        """Claim the database for this service; what is returned gives it up, and so does the end of the process.

        Raises
        ------
        StorageError
            Another service has claimed it.
        """
        place = self._database.place
        if place.path is not None:
            with self._database.translating():
                return _claim_file(place.path, self._taken)
        if self._database.is_sqlite:
            return lambda: None  # in memory: nobody else sees it
        connection = self._database.claiming()
        if connection is None:
            raise self._taken("")
        return partial(self._database.unclaiming, connection)

    def _taken(self, who: str) -> StorageError:
        return StorageError(
            f"database {self._database.place.shown}: another gylewatch service{who} works on it already; stop that "
            "one, or give this one a database of its own",
            retry=True,
        )


def _claim_file(database: Path, taken: Callable[[str], StorageError]) -> Callable[[], None]:
    """Lock a file beside the database: the kernel lets go of it however the process ends.

    Not the database itself: closing it would end the locks that SQLite holds on it in this process
    (https://www.sqlite.org/howtocorrupt.html, section 2.2).
    """
    lock = os.open(f"{database.resolve()}-service", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        number = os.read(lock, 20).decode("ascii", errors="replace").strip()
        os.close(lock)
        raise taken(f" (process {number})" if number.isdecimal() else "") from None
    except OSError:
        os.close(lock)
        raise
    os.ftruncate(lock, 0)
    os.pwrite(lock, f"{os.getpid()}\n".encode(), 0)
    return lambda: os.close(lock)
