"""HttpIngest: takes the packets that floats post, while whoever posts waits for the commit."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from collector.decode import Decoding, read_packet
from collector.packet import Packet, Rejected
from collector.steady import steady_s
from collector.timekeeper import Timekeeper
from gylewatch.config import FloatSettings
from gylewatch.errors import NotReady
from gylewatch.values import Reading
from storage.store import Store
from web.ingest import IngestResult


class HttpIngest:
    """Any thread.

    Parameters
    ----------
    store : where readings and refusals are kept
    timekeeper : whether the clock is believed
    settings : what holds for every float
    on_stored : called with the readings of each packet after their commit
    """

    def __init__(
        self,
        store: Store,
        timekeeper: Timekeeper,
        settings: FloatSettings,
        on_stored: Callable[[Sequence[Reading]], None],
    ) -> None:
        self._store = store
        self._time = timekeeper
        self._settings = settings
        self._on_stored = on_stored
        self._lock = threading.Lock()
        self.accepted = self.duplicate = self.refused = 0  # since the start

    def take(self, packet: Packet) -> IngestResult:
        """Take one packet whose origin is a float's name; returns after the commit.

        Raises
        ------
        NotReady
            The clock is not believed; whoever posts keeps the packet and tries again.
        StorageError
            It could not be stored.
        """
        doubt = self._time.look()
        if doubt is not None:
            raise NotReady(doubt)
        found = read_packet(
            self._time.arrival(packet, steady_s()),
            now=self._time.now(),
            known=self._store.float_ids(),
            decoding=Decoding(long_axis=self._settings.long_axis),
            limits=self._settings.limits,
        )
        readings = tuple(each for each in found if isinstance(each, Reading))
        refused = tuple(each for each in found if isinstance(each, Rejected))
        accepted = self._store.append_readings(readings) if readings else 0
        if refused:
            self._store.append_rejected(refused)
        result = IngestResult(accepted=accepted, duplicate=len(readings) - accepted, refused=refused)
        self._count(result)
        self._on_stored(readings)
        return result

    def _count(self, result: IngestResult) -> None:
        with self._lock:
            self.accepted += result.accepted
            self.duplicate += result.duplicate
            self.refused += sum(not each.reading_is_kept for each in result.refused)
