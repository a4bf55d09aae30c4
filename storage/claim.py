"""One service for one database: a second one would judge everything again, and tell it twice."""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection
from sqlalchemy.exc import SQLAlchemyError

from gylewatch.errors import StorageError
from storage.database import Database
from storage.part import Part

_POSTGRESQL_SERVICE_LOCK: Final = 0x67796C73  # "gyls": of the one service, for as long as it runs


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
        return _ServerClaim(self._database, partial(self._taken, "")).end

    def _taken(self, who: str) -> StorageError:
        return StorageError(
            f"database {self._database.place.shown}: another gylewatch service{who} works on it already; stop that "
            "one, or give this one a database of its own",
            retry=True,
        )


class _ServerClaim:
    """The service's lock on a server, held by a connection of its own.

    A server that is restarted lets go of it. So it is taken again before anything is written, and while another service
    has it nothing is.

    Parameters
    ----------
    taken : what to raise when another service holds the lock
    """

    def __init__(self, database: Database, taken: Callable[[], StorageError]) -> None:
        self._database = database
        self._taken = taken
        self._connection = self._take()
        database.before_writing = self._renew

    def end(self) -> None:
        """Let go of it; said by name, because a server notices a closed connection only a moment later."""
        self._database.before_writing = None
        with self._database.translating(), self._connection as connection:
            if not _is_cut(connection):
                connection.exec_driver_sql(f"SELECT pg_advisory_unlock({_POSTGRESQL_SERVICE_LOCK})")

    def _renew(self) -> None:
        if _is_cut(self._connection):
            lost, self._connection = self._connection, self._take()
            with contextlib.suppress(SQLAlchemyError):
                lost.close()

    def _take(self) -> Connection:
        with self._database.translating():
            connection = self._database.connection_apart()
            taken = connection.exec_driver_sql(f"SELECT pg_try_advisory_lock({_POSTGRESQL_SERVICE_LOCK})").scalar_one()
            if not taken:
                connection.close()
                raise self._taken()
        return connection


def _is_cut(connection: Connection) -> bool:
    """Whether the server has ended a connection. It says so without being asked, and else hardly anything."""
    if connection.closed or connection.invalidated:
        return True
    driver: Any = connection.connection.dbapi_connection
    try:
        said, _, _ = select.select([] if driver.closed else [driver], [], [], 0.0)
        if said:
            connection.exec_driver_sql("SELECT 1")
    except (SQLAlchemyError, OSError):
        return True
    return bool(driver.closed)


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
