"""Timekeeper: the time that is believed, and when packets arrived by it. Shell around `collector.clock`."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime

import structlog

from collector.clock import DEFAULT_RULE, STEP_S, ClockRule, ClockWatch, clock_problem, restamped, time_of, watch_clock
from collector.network_time import is_synchronised, kernel_is_synchronised
from collector.packet import Packet
from collector.steady import steady_s

_log = structlog.get_logger(__name__)


def utc_now() -> datetime:
    return datetime.now(UTC)


class Timekeeper:
    """Any thread. Somebody must `look` every few seconds, or slow corrections by network time would seem leaps.

    Parameters
    ----------
    rule : when the clock is believed at all
    now : the clock
    steady : the clock that never steps; None: there is none for `now`, which is moved by a test or the demo
    synchronised : whether network time has set the clock; asked until it has once, for from then on every leap is
        seen, and the kernel forgets it after hours without a network
    vouched : whether it still stands as network time has set it
    """

    def __init__(
        self,
        rule: ClockRule = DEFAULT_RULE,
        *,
        now: Callable[[], datetime] = utc_now,
        steady: Callable[[], float] | None = steady_s,
        synchronised: Callable[[], bool] = is_synchronised,
        vouched: Callable[[], bool] = kernel_is_synchronised,
    ) -> None:
        self._rule = rule
        self._now = now
        self._steady = steady
        self._synchronised = synchronised
        self._vouched = vouched
        self._lock = threading.Lock()
        self._watch = ClockWatch()
        self._doubt: str | None = None
        self._synchronised_once = False
        self._unset = False  # whether it could not be believed at the last look for another reason than a leap
        self._set = 0  # how often that ended

    @property
    def doubt(self) -> str | None:
        """Why the clock is not believed, as of the last look."""
        return self._doubt

    @property
    def leaps(self) -> int:
        """How often the clock was set while the service ran."""
        return self._watch.leaps + self._set

    def look(self) -> str | None:
        """Why the clock is not believed now, in one sentence with the remedy; None when it is."""
        with self._lock:
            now = self._now()
            doubt = clock_problem(self._rule, now, synchronised=self._is_synchronised())
            self._set += self._unset and doubt is None
            self._unset = doubt is not None
            if doubt is None and self._steady is not None:
                doubt = self._look_for_leaps(now, self._steady())
            if doubt is not None and self._doubt is None:
                _log.warning("the clock cannot be believed", problem=doubt)
            elif doubt is None and self._doubt is not None:
                _log.info("the clock is right now; readings are taken")
            self._doubt = doubt
            return doubt

    def now(self) -> datetime:
        """The time that is believed: while the clock has leapt, counted on from before."""
        kept = self._watch.kept
        return self._now() if self._steady is None or kept is None else time_of(kept, self._steady())

    def arrival(self, packet: Packet, arrived_s: float) -> Packet:
        """`packet` with its arrival in the time that is believed.

        Parameters
        ----------
        arrived_s : when it arrived on the steady clock
        """
        kept = self._watch.kept
        if self._steady is None or kept is None:
            return packet
        if abs(packet.received.timestamp() - arrived_s - kept) <= STEP_S:
            return packet
        steady = self._steady()
        return restamped(packet, now=time_of(kept, steady), waited_s=steady - arrived_s)

    def _is_synchronised(self) -> bool:
        if self._rule.network_time and not self._synchronised_once:
            self._synchronised_once = self._synchronised()
        return self._synchronised_once or not self._rule.network_time

    def _look_for_leaps(self, now: datetime, steady: float) -> str | None:
        leaps = self._watch.leaps
        self._watch, doubt = watch_clock(self._watch, now, steady, vouched=False)
        if doubt is not None and self._vouched():
            self._watch, doubt = watch_clock(self._watch, now, steady, vouched=True)
        if self._watch.leaps != leaps:
            _log.warning("the clock was set; readings that waited are stamped anew", now=str(now))
        return doubt
