"""Lateness: when readings that came late are reason enough to read a batch again. Pure: the time is passed in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from gylewatch.copying import replace

LATE_BY: Final = timedelta(hours=1)
# What is overtaken by less than this is used almost as well as if it had come in its turn.

FEW: Final = 5
LEAST_SPAN: Final = timedelta(hours=1)
# Single late readings are one reading each; an hour of them is a piece of the course.

CALM: Final = timedelta(minutes=10)
# A gateway that was away delivers for minutes, and one reading again at its end is enough.

PAUSE: Final = timedelta(hours=6)
# Where a gateway always delivers the newest first: reading a batch of weeks again takes a small board some minutes.


@dataclass(frozen=True, kw_only=True)
class Lateness:
    """The late readings since a batch was last read in the order of time."""

    count: int = 0
    first: datetime | None = None  # the earliest of their own times
    last: datetime | None = None  # the latest one
    calm_since: datetime | None = None  # by the clock: when the last one was taken

    def after(self, time: datetime, newest: datetime | None) -> Lateness:
        """What is known after a reading of `time` was taken, while the newest one before was of `newest`."""
        if newest is None or newest - time < LATE_BY:
            return self
        first = time if self.first is None else min(self.first, time)
        last = time if self.last is None else max(self.last, time)
        return replace(self, count=self.count + 1, first=first, last=last, calm_since=None)

    @property
    def matters(self) -> bool:
        """There are so many of them that the estimate would profit from them in their turn."""
        long = self.first is not None and self.last is not None and self.last - self.first >= LEAST_SPAN
        return self.count > FEW and long

    def watched(self, now: datetime) -> Lateness:
        """The same, seen by the clock at `now`."""
        if not self.count or (self.calm_since is not None and self.calm_since <= now):
            return self
        return replace(self, calm_since=now)  # or the clock was set back

    def is_due(self, now: datetime, last_time: datetime | None) -> bool:
        """They matter, no more of them come, and the batch was not read again for their sake a short time ago.

        Parameters
        ----------
        last_time : when the batch was last read again for late readings
        """
        if not self.matters or self.calm_since is None or now - self.calm_since < CALM:
            return False
        return last_time is None or not timedelta(0) <= now - last_time < PAUSE
