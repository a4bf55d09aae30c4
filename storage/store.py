"""Store: saves and reads values. No row, session or exception of the database library leaves this package."""

from __future__ import annotations

from types import TracebackType
from typing import Self

from gylewatch.errors import StorageError
from storage.batches import Batches
from storage.calibrations import Calibrations
from storage.claim import Claim
from storage.counters import Counters
from storage.courses import Courses
from storage.curves import Curves
from storage.database import Database
from storage.migrate import upgrade
from storage.notices import Notices
from storage.outbox import Outbox
from storage.outcomes import Outcomes
from storage.probes import Probes
from storage.readings import Readings
from storage.registry import Registry
from storage.renaming import Renaming
from storage.reopening import Reopening
from storage.upkeep import Upkeep

# Longer than any of our own transactions, and than a backup's last step.
LOCK_TIMEOUT_S = 10.0


class Store(
    Registry,
    Renaming,
    Counters,
    Curves,
    Calibrations,
    Batches,
    Reopening,
    Readings,
    Probes,
    Outcomes,
    Courses,
    Notices,
    Outbox,
    Upkeep,
    Claim,
):
    """A database of gylewatch, safe to use from several threads.

    Every method raises `StorageError` when the database fails; what else it raises is said with it.
    """

    @classmethod
    def open(cls, url: str, *, create: bool = True, lock_timeout_s: float = LOCK_TIMEOUT_S) -> Self:
        """Open a database and bring it to this program's schema.

        Parameters
        ----------
        url : ``sqlite:///FILE`` or ``postgresql://USER@HOST/NAME``
        create : whether a database that is missing or empty may be made
        lock_timeout_s : how long a write waits for another program's write before it fails

        Raises
        ------
        StorageError
            The database cannot be opened, is not gylewatch's, or was written by a newer gylewatch.
        """
        database = Database(url, lock_timeout_s=lock_timeout_s)
        path = database.place.path
        if path is not None and not create and not path.exists():
            raise StorageError(
                f"database {path} does not exist; create it with: gylewatch init, or start the service", retry=False
            )
        try:
            upgrade(database, create=create)
        except BaseException:
            database.close()
            raise
        return cls(database)

    @property
    def place(self) -> str:
        """Where the database is, without its password."""
        return self._database.place.shown

    def close(self) -> None:
        """Give all connections back. Nothing that was saved depends on it."""
        self._database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
