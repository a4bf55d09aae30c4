"""What the parts of the store share: the database they all write to."""

from __future__ import annotations

from storage.database import Database


class Part:
    """One noun of the store. `storage.store.Store` is made of all of them."""

    def __init__(self, database: Database) -> None:
        self._database = database
