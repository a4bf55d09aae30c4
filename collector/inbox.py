"""Inbox: the bounded queue between receivers and storage, and what lies in it.

A receiver waits when it is full: back-pressure reaches the broker, which keeps what we have not acknowledged.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass

from collector.packet import Packet

DEFAULT_DEPTH = 1000
# About 0.3 MB of packets; ten commits of 100, so that neither side waits for the other in ordinary times.


def _nothing() -> None:
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """A packet, and what to call once its readings are committed or refused for good."""

    packet: Packet
    acknowledge: Callable[[], None] = _nothing


class Inbox:
    """Bounded, safe for several receivers and one reader."""

    def __init__(self, depth: int = DEFAULT_DEPTH) -> None:
        self._queue: queue.Queue[Delivery] = queue.Queue(maxsize=depth)

    def put(self, delivery: Delivery, stopping: threading.Event) -> bool:
        """Wait for room and put `delivery`; False when `stopping` was set before there was room."""
        while not stopping.is_set():
            try:
                self._queue.put(delivery, timeout=0.2)
            except queue.Full:
                continue
            return True
        return False

    def take(self, limit: int, wait_s: float) -> list[Delivery]:
        """Wait up to `wait_s` for a first delivery, then take what is there, at most `limit`.

        It does not linger for more: a broker with a small in-flight window sends no more until we acknowledge.
        Batches grow by themselves while a commit takes its time.
        """
        taken: list[Delivery] = []
        try:
            taken.append(self._queue.get(timeout=wait_s))
            while len(taken) < limit:
                taken.append(self._queue.get_nowait())
        except queue.Empty:
            pass
        return taken

    def __len__(self) -> int:
        return self._queue.qsize()
