"""ReadingSink: the store, as the ingest sees it. The counters against replay go into the readings' own transaction.

So a counter is never behind a stored reading, whatever kills the service, and costs a memory card no write of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from collector.packet import Rejected
from gylewatch.values import FloatId, ProbeReading, Reading
from storage.store import Store


class ReadingSink:
    """Used by the ingest's thread only.

    Parameters
    ----------
    store : the database
    counters : those that have moved since they were saved
    """

    def __init__(self, store: Store, counters: Callable[[], Mapping[FloatId, int]]) -> None:
        self._store = store
        self._counters = counters

    def append_readings(self, readings: Sequence[Reading], /) -> int:
        """See `Store.append_readings`."""
        return self._store.append_readings(readings, counters=self._counters())

    def append_probe_readings(self, readings: Sequence[ProbeReading], /) -> int:
        """See `Store.append_probe_readings`."""
        return self._store.append_probe_readings(readings)

    def append_rejected(self, rejected: Sequence[Rejected], /) -> None:
        """See `Store.append_rejected`."""
        self._store.append_rejected(rejected, counters=self._counters())

    def keep_signals(self, readings: Sequence[Reading], /) -> None:
        """See `Store.keep_signals`."""
        self._store.keep_signals(readings)
