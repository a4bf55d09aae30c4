"""Schedule: when the regular duties are done, and the nightly upkeep; setting the clock disturbs neither."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Final

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.cron import CronTrigger

_TICK: Final = "tick"
NIGHT_HOUR, NIGHT_MINUTE = 3, 17  # UTC: when few look at the page; not on the hour, when everything else runs
AFTER_START: Final = timedelta(minutes=10)
# For what was missed: a board that is off each night would never be copied. The clock should be set by then.
_NIGHT: Final = timedelta(hours=25)  # farther ahead than this no next night can be


class Pause(BaseTrigger):  # type: ignore[misc]  # APScheduler has no types
    """A pause from now on, whatever was missed: a clock set forward by years leaves nothing to catch up with."""

    def __init__(self, pause: timedelta) -> None:
        self.pause = pause

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        return now + self.pause


class Nightly(CronTrigger):  # type: ignore[misc]  # APScheduler has no types
    """The next night from now on: many missed nights are one."""

    def __init__(self) -> None:
        super().__init__(hour=NIGHT_HOUR, minute=NIGHT_MINUTE, timezone=UTC)

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime | None:
        following: datetime | None = super().get_next_fire_time(None, now)
        return following


class Schedule(BackgroundScheduler):  # type: ignore[misc]  # APScheduler has no types
    """Runs `tick` every `tick_s` seconds and `nightly` soon after the start and once a night.

    Each runs in a thread of the scheduler's pool.

    The scheduler plans by the machine's clock. After that was set back, what it has planned lies too far ahead: it
    would sleep for as long as the clock was set back. So it looks at least once a tick, and plans anew.
    """

    def __init__(self, tick: Callable[[], None], nightly: Callable[[], None], *, tick_s: float) -> None:
        super().__init__(timezone=UTC, job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1})
        self._tick_s = tick_s
        pause = timedelta(seconds=tick_s)
        self._farthest = {_TICK: 2 * pause, "nightly": _NIGHT}
        self.add_job(tick, Pause(pause), id=_TICK)
        self.add_job(nightly, Nightly(), id="nightly", next_run_time=datetime.now(UTC) + AFTER_START)

    def stop(self) -> None:
        """Begin nothing new; what is under way is left to end."""
        self.shutdown(wait=False)

    def _process_jobs(self) -> float:
        now = datetime.now(UTC)
        for job in self.get_jobs():
            if job.next_run_time > now + self._farthest[job.id]:
                self.modify_job(job.id, next_run_time=job.trigger.get_next_fire_time(None, now))
        wait_s = super()._process_jobs()
        return self._tick_s if wait_s is None else min(wait_s, self._tick_s)
