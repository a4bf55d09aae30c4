"""Connections and transactions. Every failure below leaves here as a `StorageError` of one line."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy
from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import ArgumentError, SQLAlchemyError
from sqlalchemy.pool import QueuePool, StaticPool

from gylewatch.errors import StorageError
from storage.faults import explain
from storage.schema import Base

_WRITE = "gylewatch_write"

# Any constant will do, as long as only gylewatch uses it in its database: it is the first of the letters of "gyle".
_POSTGRESQL_WRITER_LOCK = 0x67796C65

# A machine that lost its power says no goodbye: within a minute the server must let go of what it held.
_POSTGRESQL_KEEPALIVE = "-c tcp_keepalives_idle=30 -c tcp_keepalives_interval=10 -c tcp_keepalives_count=3"

# And we of a server that did: the system by itself waits a quarter of an hour for what is on its way to be taken
# (tcp_retries2, tcp(7)).
_POSTGRESQL_PATIENCE = {
    "keepalives_idle": 30,
    "keepalives_interval": 10,
    "keepalives_count": 3,
    "tcp_user_timeout": 60_000,  # milliseconds
}

# Nothing here may hold a service up for long: an unreachable server must become an error that can be shown.
_POSTGRESQL_CONNECT_TIMEOUT_S = 5


@dataclass(frozen=True, slots=True)
class Place:
    """Where a database is, in words that may be shown: no password."""

    shown: str
    path: Path | None  # of the SQLite file; None on a server or in memory


class Database:
    """One database, used from several threads: any number of readers beside one writer.

    Parameters
    ----------
    url : ``sqlite:///FILE`` or ``postgresql://USER@HOST/NAME``
    lock_timeout_s : how long a write waits for another program's write

    Raises
    ------
    StorageError
        The URL names no database that can be used. Nothing is opened yet.
    """

    def __init__(self, url: str, *, lock_timeout_s: float) -> None:
        parsed = _parse(url)
        self.is_sqlite = parsed.get_backend_name() == "sqlite"
        self._in_memory = self.is_sqlite and parsed.database in (None, "", ":memory:")
        path = Path(parsed.database) if self.is_sqlite and parsed.database and not self._in_memory else None
        self.place = Place(str(path) if path else _as_written(parsed), path)
        self._writer = threading.RLock()
        self.before_writing: Callable[[], None] | None = None  # may refuse it with an error
        self._file: tuple[int, int] | None = None  # device and inode of the SQLite file, once it was opened
        self._engine = self._engine_for(parsed, lock_timeout_s)

    def close(self) -> None:
        self._engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that only reads; it never waits for a writer."""
        if self._in_memory:  # it has only one connection
            with self._writer, self._transaction(write=False) as connection:
                yield connection
        else:
            with self._transaction(write=False) as connection:
                yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction, committed at the end; the only one that writes at that time, here and in other programs.

        So row ids come in order of commit, and a cursor over them misses nothing, on PostgreSQL too.
        """
        with self._writer:
            if self.before_writing is not None:
                self.before_writing()
            with self._transaction(write=True) as connection:
                if not self.is_sqlite:
                    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_POSTGRESQL_WRITER_LOCK})")
                yield connection

    @contextmanager
    def changing_schema(self) -> Iterator[Connection]:
        """Like `writing`, with foreign keys of SQLite unchecked: see `check_foreign_keys`.

        SQLite changes a column by copying the table, and dropping the old one would break every key that points to it
        (https://www.sqlite.org/lang_altertable.html, section 7).
        """
        if not self.is_sqlite:
            with self.writing() as connection:
                yield connection
            return
        with self._writer, self.translating(), self._engine.connect() as connection:
            connection.execution_options(**{_WRITE: True})
            driver = connection.connection.driver_connection
            assert isinstance(driver, sqlite3.Connection)  # noqa: S101  tells the type checker
            driver.execute("PRAGMA foreign_keys=OFF")  # has no effect once a transaction has begun
            try:
                with connection.begin():
                    _check_writable(connection)
                    yield connection
            finally:
                driver.execute("PRAGMA foreign_keys=ON")

    def connection_apart(self) -> Connection:
        """A connection that nobody else gets, to be closed at its end: in the pool it would keep its locks."""
        connection = self._engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        connection.detach()
        return connection

    @contextmanager
    def translating(self) -> Iterator[None]:
        """Turn the library's and the driver's exceptions into ours."""
        try:
            yield
        except (SQLAlchemyError, sqlite3.Error, OSError) as error:
            raise explain(error, self.place.shown, self.place.path) from error

    @contextmanager
    def _transaction(self, *, write: bool) -> Iterator[Connection]:
        self._check_file()
        with self.translating(), self._engine.connect() as connection:
            self._remember_file()
            connection.execution_options(**{_WRITE: write})
            with connection.begin():
                yield connection
                if write:
                    self._check_file()

    def _remember_file(self) -> None:
        if self._file is None and self.place.path is not None:
            found = self.place.path.stat()
            self._file = (found.st_dev, found.st_ino)

    def _check_file(self) -> None:
        """Refuse to go on with a file that was deleted: SQLite would write on into what nobody will find again."""
        if self._file is None or self.place.path is None:
            return
        try:
            found = self.place.path.stat()
        except OSError:
            found = None
        if found is None or (found.st_dev, found.st_ino) != self._file:
            raise StorageError(
                f"database {self.place.shown}: the file was deleted or replaced while it was in use; put it back or "
                "restore a backup, then restart gylewatch",
                retry=False,
            )

    def _engine_for(self, url: URL, lock_timeout_s: float) -> Engine:
        if not self.is_sqlite:
            return _postgresql_engine(url, lock_timeout_s)
        engine = create_engine(
            url,
            poolclass=StaticPool if self._in_memory else QueuePool,
            connect_args={"check_same_thread": False, "timeout": lock_timeout_s},
        )
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine


def _parse(url: str) -> URL:
    try:
        parsed = sqlalchemy.make_url(url)
    except (ArgumentError, ValueError):
        parsed = None
    if parsed is None or parsed.get_backend_name() not in ("sqlite", "postgresql"):
        scheme = url.split(":", 1)[0] if ":" in url else url
        raise StorageError(
            f"database url beginning {scheme!r} is not usable: write sqlite:///FILE or postgresql://USER@HOST/NAME",
            retry=False,
        )
    return parsed.set(drivername="sqlite" if parsed.get_backend_name() == "sqlite" else "postgresql+psycopg")


def _as_written(url: URL) -> str:
    """As a person writes it: without the driver that we chose, and without the password."""
    return url.set(drivername=url.get_backend_name()).render_as_string(hide_password=True)


def _postgresql_engine(url: URL, lock_timeout_s: float) -> Engine:
    milliseconds = max(1, round(lock_timeout_s * 1000))
    try:
        return create_engine(
            url,
            pool_pre_ping=True,  # a restarted server must cost nobody an error
            connect_args={
                "connect_timeout": _POSTGRESQL_CONNECT_TIMEOUT_S,
                **_POSTGRESQL_PATIENCE,
                "options": f"-c lock_timeout={milliseconds} -c timezone=UTC {_POSTGRESQL_KEEPALIVE}",
            },
        )
    except ImportError:
        raise StorageError(
            "PostgreSQL needs the psycopg package: install gylewatch with its 'postgresql' extra", retry=False
        ) from None


def _prepare_sqlite(connection: sqlite3.Connection, _record: object) -> None:
    # The driver would otherwise begin late and deferred, and a write after a read could then fail at once as busy.
    connection.isolation_level = None
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")  # what a broker was told is stored survives a power cut
    connection.execute("PRAGMA foreign_keys=ON")


def _check_writable(connection: Connection) -> None:
    # A file that may only be read would open, and fail at the first reading. Nothing of this reaches the disk.
    connection.exec_driver_sql("SAVEPOINT probe")
    connection.exec_driver_sql("PRAGMA user_version=1")
    connection.exec_driver_sql("ROLLBACK TO probe")


def check_foreign_keys(connection: Connection) -> None:
    """Raise unless every foreign key of a SQLite database holds. Reads all tables: for changed schemas only."""
    if connection.dialect.name != "sqlite":
        return
    broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
    if broken is not None:
        raise sqlite3.IntegrityError(f"a migration would break a foreign key of table {broken[0]!r}")


def _begin_sqlite(connection: Connection) -> None:
    write = connection.get_execution_options().get(_WRITE, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


Rows = Sequence[Mapping[str, Any]]


def insert_new(connection: Connection, table: type[Base], conflict: Sequence[str]) -> sqlite.Insert | postgresql.Insert:
    """An INSERT that leaves out rows whose `conflict` columns are there already."""
    if connection.dialect.name == "sqlite":
        return sqlite.insert(table).on_conflict_do_nothing(index_elements=conflict)
    return postgresql.insert(table).on_conflict_do_nothing(index_elements=conflict)


def upsert(
    connection: Connection, table: type[Base], row: Mapping[str, Any], *, keys: Sequence[str], change: Mapping[str, Any]
) -> None:
    """Insert `row`, or make `change` where its `keys` are there already."""
    insert = sqlite.insert if connection.dialect.name == "sqlite" else postgresql.insert
    connection.execute(insert(table).values(row).on_conflict_do_update(index_elements=list(keys), set_=dict(change)))
