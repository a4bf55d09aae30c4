"""Schedule: when the regular duties are done, and the nightly upkeep; setting the clock disturbs neither."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta
from typing import Final

import structlog

AT_NIGHT: Final = time(3, 17, tzinfo=UTC)  # when nobody looks at the page; not on the hour, when everything else runs

_log = structlog.get_logger(__name__)


class Schedule:
    """Start and stop once.

    The pause between two ticks is waited for and not planned as a time of the day: after a clock was set back by a
    year there would be no tick for that year, and after it was set forward half a million to catch up with.

    Parameters
    ----------
    tick : done every `tick_s` seconds
    nightly : done once a night, in a thread of its own: a slow backup must not keep a silent float from being told
    now : the clock by which it is night
    """

    def __init__(
        self, tick: Callable[[], None], nightly: Callable[[], None], *, tick_s: float, now: Callable[[], datetime]
    ) -> None:
        self._tick, self._nightly, self._tick_s, self._now = tick, nightly, tick_s, now
        self._looked = now()
        self._night: threading.Thread | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="schedule", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """Begin nothing new; what is under way is waited for if it ends in time."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def _run(self) -> None:
        while not self._stopping.wait(self._tick_s):
            try:
                self._turn()
            except Exception:
                _log.exception("a regular duty failed in an unexpected way; it is done again at the next tick")

    def _turn(self) -> None:
        self._tick()
        before, self._looked = self._looked, self._now()
        if is_night_between(before, self._looked) and (self._night is None or not self._night.is_alive()):
            self._night = threading.Thread(target=self._nightly, name="upkeep", daemon=True)
            self._night.start()


def is_night_between(before: datetime, now: datetime) -> bool:
    """Whether the time of the nightly upkeep came after `before` and has come by `now`; however often, it is one."""
    tonight = datetime.combine(now.astimezone(UTC).date(), AT_NIGHT)
    last = tonight if tonight <= now else tonight - timedelta(days=1)
    return before < last
