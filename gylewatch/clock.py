"""The one clock of the service, and the one that the demo turns faster."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Protocol

from collector.steady import steady_s


class Clock(Protocol):
    """Tells the time, in UTC."""

    def now(self) -> datetime: ...


class ServiceClock(Clock, Protocol):
    """A clock that may be set while the service runs, and how that is noticed."""

    @property
    def steady(self) -> Callable[[], float] | None:
        """The seconds of a clock that never steps; None where `now` never leaps by itself."""


class SystemClock:
    """The machine's own clock."""

    steady: Callable[[], float] | None = staticmethod(steady_s)

    def now(self) -> datetime:
        return datetime.now(UTC)


class SteppedClock:
    """Stands still until it is moved on; never goes back. Any thread."""

    steady: Callable[[], float] | None = None

    def __init__(self, start: datetime) -> None:
        self._lock = threading.Lock()
        self._now = start

    def now(self) -> datetime:
        with self._lock:
            return self._now

    def move_to(self, time: datetime) -> None:
        with self._lock:
            self._now = max(self._now, time)
