"""PostedPackets: the newest packets that came over HTTP, for who records a float. In memory; without any token."""

from __future__ import annotations

import threading
from collections import deque
from typing import Final

from collector.packet import Packet

_MOST: Final = 200  # who records asks each second; no brewery's floats post so many in between
_MOST_BYTES: Final = 1_000_000


class PostedPackets:
    """Bounded; the oldest are forgotten. Any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._packets: deque[tuple[int, Packet]] = deque()
        self._bytes = 0
        self._count = 0

    def add(self, packet: Packet) -> None:
        """Keep one packet for a while."""
        with self._lock:
            self._count += 1
            self._packets.append((self._count, packet))
            self._bytes += _size(packet)
            while len(self._packets) > _MOST or self._bytes > _MOST_BYTES:
                self._bytes -= _size(self._packets.popleft()[1])

    def since(self, after: int | None, name: str) -> tuple[int, tuple[Packet, ...]]:
        """How many there ever were, and those of the float `name` behind the first `after`; None: none of them."""
        with self._lock:
            if after is None or after > self._count:  # more than there were: the service was restarted meanwhile
                return self._count, ()
            found = tuple(packet for number, packet in self._packets if number > after and packet.origin == name)
            return self._count, found


def _size(packet: Packet) -> int:
    return len(packet.payload) + len(packet.origin)
