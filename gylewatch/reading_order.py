"""ReadingOrder: in which order a batch takes its float's stored readings, page by page."""

from __future__ import annotations

from datetime import timedelta

from gylewatch.values import Batch, Reading
from storage.store import Store


class ReadingOrder:
    """A place in a float's stored readings.

    By arrival, so that none that comes late is missed. A batch that is read again takes what is stored by then in the
    order of its own time, as it would have come over a network that is never away; what arrives after that follows.

    Parameters
    ----------
    store : the database
    batch : whose float it is
    cursor : the row that was taken last, by arrival
    by_time : begin at pitching, in order of time
    """

    def __init__(self, store: Store, batch: Batch, *, cursor: int = 0, by_time: bool = False) -> None:
        self._store = store
        self._float_id = batch.float_id
        self._since = batch.pitched
        self._until_row = store.last_reading_row(batch.float_id) if by_time else None
        self.cursor = cursor  # the row up to which everything was taken

    def page(self, limit: int) -> tuple[Reading, ...]:
        """The next readings, at most `limit`; fewer: these are the last ones for now."""
        found: tuple[Reading, ...] = ()
        if self._until_row is not None:
            found = self._store.readings_by_time(self._float_id, self._since, until_row=self._until_row, limit=limit)
            if len(found) == limit:
                self._since = found[-1].time + timedelta.resolution
                return found
            self.cursor, self._until_row = self._until_row, None
        rows = self._store.readings_after(self._float_id, self.cursor, limit - len(found))
        self.cursor = rows[-1][0] if rows else self.cursor
        return (*found, *(reading for _, reading in rows))
