"""StateFeed: tells other programs, over MQTT, what is believed about each batch. Only the newest state counts.

The last state of a batch that has ended says so, and goes from the brokers some days later: what is retained would
otherwise stay there for ever. So does that of which nothing is believed any more: it was removed, or given a float that
has no curve yet.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from collector.topics import DEFAULT_PREFIX, state_topic
from fermentation.estimate import Estimate
from gylewatch.copying import replace
from gylewatch.errors import TransportError
from gylewatch.routine import Routine
from gylewatch.values import BatchId, utc_text

Publish = Callable[[str, bytes], None]
"""Publishes a retained payload; raises `TransportError` when the broker is away."""

KEPT_FOR: Final = timedelta(days=7)  # after the end: a program that is off over a weekend still hears of it

OFF_FOR: Final = timedelta(days=365)
# A service that was stopped for so long after the end of a batch still takes its state back when it starts. Not that of
# every batch there ever was: each goes to all who listen, at each start.

GONE: Final = b""  # takes back what is retained (MQTT 5.0, section 3.3.1.3)

AGAIN_S: Final = 10.0  # an outage is noticed in the log by the collector; here it only means to keep the state


@dataclass(frozen=True, slots=True, kw_only=True)
class _State:
    """What was last believed about a batch, and when it ended."""

    estimate: Estimate
    ended: datetime | None = None


def state_payload(batch_id: BatchId, estimate: Estimate, ended: datetime | None = None) -> bytes:
    """The retained JSON of one batch: the columns of ``estimates.csv``, two more intervals, the batch's id, its end."""
    forecast = estimate.forecast
    content = {
        "batch": batch_id,
        "ended": _time(ended),
        "time": utc_text(estimate.time),
        "gravity_sg": round(estimate.gravity_sg, 5),
        "gravity_low_sg": round(estimate.gravity_low_sg, 5),
        "gravity_high_sg": round(estimate.gravity_high_sg, 5),
        "rate_points_per_day": round(estimate.rate_points_per_day, 3),
        "apparent_attenuation": round(estimate.apparent_attenuation, 4),
        "apparent_attenuation_low": _rounded(estimate.apparent_attenuation_low, 4),
        "apparent_attenuation_high": _rounded(estimate.apparent_attenuation_high, 4),
        "abv_percent": round(estimate.abv_percent, 3),
        "abv_low_percent": _rounded(estimate.abv_low_percent, 3),
        "abv_high_percent": _rounded(estimate.abv_high_percent, 3),
        "temperature_c": round(estimate.temperature_c, 2),
        "phase": estimate.phase,
        "final_gravity_sg": None if forecast is None else round(forecast.final_gravity_sg, 5),
        "final_gravity_low_sg": None if forecast is None else round(forecast.final_gravity_low_sg, 5),
        "final_gravity_high_sg": None if forecast is None else round(forecast.final_gravity_high_sg, 5),
        "finish_time": None if forecast is None else _time(forecast.finish_time),
        "finish_low": None if forecast is None else _time(forecast.finish_low),
        "finish_high": None if forecast is None else _time(forecast.finish_high),
    }
    return json.dumps(content).encode()


def _payload(batch_id: BatchId, state: _State | None) -> bytes:
    return GONE if state is None else state_payload(batch_id, state.estimate, state.ended)


def is_gone(ended: datetime | None, now: datetime) -> bool:
    """Whether the state of a batch that ended then is taken back, or need not be told any more."""
    return ended is not None and now - ended > KEPT_FOR


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _time(time: datetime | None) -> str | None:
    return None if time is None else utc_text(time)


class StateFeed(Routine):
    """Publishes from a thread of its own, so that an absent broker holds nobody up.

    Parameters
    ----------
    publishers : one for each broker
    prefixes : of the topics on each broker; the usual one, if not given
    """

    def __init__(self, publishers: Sequence[Publish], prefixes: Sequence[str] | None = None) -> None:
        super().__init__("state-feed", stop_s=2.0)
        self._publishers = tuple(publishers)
        self._prefixes = tuple(prefixes or (DEFAULT_PREFIX for _ in publishers))
        self._lock = threading.Lock()
        self._newest: dict[BatchId, _State] = {}
        self._waiting: list[dict[BatchId, bytes]] = [{} for _ in self._publishers]

    def tell(self, batch_id: BatchId, estimate: Estimate, *, ended: datetime | None = None) -> None:
        """Take the newest estimate of a batch, which may have ended and still be read again; any thread."""
        with self._lock:
            known = self._newest.get(batch_id)
            self._put(batch_id, _State(estimate=estimate, ended=known.ended if known else ended))
        self.wake()

    def begin(
        self,
        ended: Mapping[BatchId, datetime | None],
        latest: Mapping[BatchId, Estimate],
        removed: Iterable[BatchId],
        now: datetime,
    ) -> None:
        """Tell what is stored, and take back what was left when the service was stopped; any thread.

        Parameters
        ----------
        ended : of every batch of which anything is believed, when it ended
        latest : their newest estimates
        removed : batches that were removed; one of the same name may be among the others
        """
        with self._lock:
            for batch_id in removed:
                self._put(batch_id, None)
            for batch_id, time in ended.items():
                if not is_gone(time, now):
                    if batch_id in latest:
                        self._put(batch_id, _State(estimate=latest[batch_id], ended=time))
                elif time is not None and now - time <= KEPT_FOR + OFF_FOR:
                    self._put(batch_id, None)
        self.wake()

    def follow(self, ends: Callable[[], Mapping[BatchId, datetime | None]], now: datetime) -> None:
        """Take note of which batches anything is believed of and when each ended, None: not; any thread.

        Parameters
        ----------
        ends : asked once it is known what has been told: what is told meanwhile is newer than the answer
        """
        with self._lock:
            known = dict(self._newest)
        ended = ends()
        with self._lock:
            for batch_id, state in known.items():
                if self._newest.get(batch_id) is not state:
                    continue
                if batch_id not in ended or is_gone(ended[batch_id], now):
                    self._put(batch_id, None)
                elif state.ended != ended[batch_id]:
                    self._put(batch_id, replace(state, ended=ended[batch_id]))
        self.wake()

    def _put(self, batch_id: BatchId, state: _State | None) -> None:
        if state is None:
            self._newest.pop(batch_id, None)
        else:
            self._newest[batch_id] = state
        for waiting in self._waiting:
            waiting[batch_id] = _payload(batch_id, state)

    def repeat(self, index: int) -> None:
        """Tell one broker all of it again: one that was started anew may have lost what it retained; any thread."""
        with self._lock:
            # What is to be taken back there and waits for that still does.
            self._waiting[index] |= {batch_id: _payload(batch_id, state) for batch_id, state in self._newest.items()}
        self.wake()

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._wake.wait()
            self._wake.clear()
            if not self._publish_all() and not self._stopping.is_set():
                self._stopping.wait(AGAIN_S)
                self._wake.set()

    def _publish_all(self) -> bool:
        done = [self._publish(index) for index in range(len(self._publishers))]  # one that is away must not stop others
        return all(done)

    def _publish(self, index: int) -> bool:
        while True:
            with self._lock:
                waiting = self._waiting[index]
                if not waiting:
                    return True
                batch_id = next(iter(waiting))
                payload = waiting.pop(batch_id)
            try:
                self._publishers[index](state_topic(batch_id, self._prefixes[index]), payload)
            except TransportError:
                with self._lock:
                    waiting.setdefault(batch_id, payload)  # unless a newer one came meanwhile
                return False
