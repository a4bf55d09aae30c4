"""Inbox: the bounded queue between receivers and storage, and what lies in it.

A receiver waits when it is full: back-pressure reaches the broker, which keeps what we have not acknowledged.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from collector.packet import Packet
from collector.steady import steady_s

DEFAULT_DEPTH = 2000
# About 1 MB of packets; twice what one broker sends ahead, so that a second one finds room too.
_LOOK_AGAIN_S = 0.2  # how late a receiver that waits for room notices that it should stop


def _nothing() -> None:
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """A packet, and what to call once its readings are committed or refused for good."""

    packet: Packet
    acknowledge: Callable[[], None] = _nothing
    arrived_s: float = field(default_factory=steady_s)  # the packet's own time may be a clock that is not set yet


class Inbox:
    """Bounded, safe for several receivers and one reader."""

    def __init__(self, depth: int = DEFAULT_DEPTH) -> None:
        self._depth = depth
        self._deliveries: deque[Delivery] = deque()
        lock = threading.Lock()
        self._filled = threading.Condition(lock)
        self._room = threading.Condition(lock)

    def put(self, delivery: Delivery, stopping: threading.Event) -> bool:
        """Wait for room and put `delivery`; False when `stopping` was set before there was room."""
        return self.put_all((delivery,), stopping)

    def put_all(self, deliveries: Sequence[Delivery], stopping: threading.Event) -> bool:
        """The same with several, in their order, where the reader is to be woken once for all of them."""
        done = 0
        with self._room:
            while done < len(deliveries):
                if stopping.is_set():
                    return False
                fitting = deliveries[done : done + max(0, self._depth - len(self._deliveries))]
                if fitting:
                    self._deliveries.extend(fitting)
                    self._filled.notify()
                    done += len(fitting)
                else:
                    self._room.wait(_LOOK_AGAIN_S)
        return True

    def take(self, limit: int, wait_s: float) -> list[Delivery]:
        """Wait up to `wait_s` for a first delivery, then take what is there, at most `limit`.

        It does not linger for more: a broker with a small in-flight window sends no more until we acknowledge.
        Batches grow by themselves while a commit takes its time.
        """
        with self._filled:
            if not self._deliveries:
                self._filled.wait(wait_s)
            taken = [self._deliveries.popleft() for _ in range(min(limit, len(self._deliveries)))]
            self._room.notify_all()
        return taken

    def __len__(self) -> int:
        return len(self._deliveries)
