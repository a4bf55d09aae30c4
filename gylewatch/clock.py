"""The one clock of the service, and the one that the demo turns faster."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Tells the time, in UTC."""

    def now(self) -> datetime: ...


class SystemClock:
    """The machine's own clock."""

    def now(self) -> datetime:
        return datetime.now(UTC)


class SteppedClock:
    """Stands still until it is moved on; never goes back. Any thread."""

    def __init__(self, start: datetime) -> None:
        self._lock = threading.Lock()
        self._now = start

    def now(self) -> datetime:
        with self._lock:
            return self._now

    def move_to(self, time: datetime) -> None:
        with self._lock:
            self._now = max(self._now, time)
