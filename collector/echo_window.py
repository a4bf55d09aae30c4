"""EchoWindow: where the adapters of one machine put what they hear, so that one advertisement is one packet. Shell."""

from __future__ import annotations

import threading
from datetime import datetime

from collector.echoes import Waiting, due, hear
from collector.packet import Packet


class EchoWindow:
    """Any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: Waiting = {}

    def hear(self, packet: Packet) -> None:
        """Put an advertisement; the best signal among its echoes is kept."""
        with self._lock:
            self._waiting = hear(self._waiting, packet)

    def due(self, now: datetime) -> tuple[Packet, ...]:
        """Take what no other adapter will report any more."""
        with self._lock:
            self._waiting, ready = due(self._waiting, now)
        return ready
