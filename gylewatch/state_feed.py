"""StateFeed: tells other programs, over MQTT, what is believed about each batch. Only the newest state counts."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Final

from collector.topics import DEFAULT_PREFIX, state_topic
from fermentation.estimate import Estimate
from gylewatch.errors import TransportError
from gylewatch.routine import Routine
from gylewatch.values import BatchId, utc_text

Publish = Callable[[str, bytes], None]
"""Publishes a retained payload; raises `TransportError` when the broker is away."""

AGAIN_S: Final = 10.0  # an outage is noticed in the log by the collector; here it only means to keep the state


def state_payload(batch_id: BatchId, estimate: Estimate) -> bytes:
    """The retained JSON of one batch: the columns of ``estimates.csv`` and the batch's id."""
    forecast = estimate.forecast
    content = {
        "batch": batch_id,
        "time": utc_text(estimate.time),
        "gravity_sg": round(estimate.gravity_sg, 5),
        "gravity_low_sg": round(estimate.gravity_low_sg, 5),
        "gravity_high_sg": round(estimate.gravity_high_sg, 5),
        "rate_points_per_day": round(estimate.rate_points_per_day, 3),
        "apparent_attenuation": round(estimate.apparent_attenuation, 4),
        "abv_percent": round(estimate.abv_percent, 3),
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
        self._newest: dict[BatchId, bytes] = {}
        self._waiting: list[dict[BatchId, bytes]] = [{} for _ in self._publishers]

    def tell(self, batch_id: BatchId, estimate: Estimate) -> None:
        """Take the newest estimate of a batch; any thread."""
        payload = state_payload(batch_id, estimate)
        with self._lock:
            self._newest[batch_id] = payload
            for waiting in self._waiting:
                waiting[batch_id] = payload
        self.wake()

    def repeat(self, index: int) -> None:
        """Tell one broker all of it again: one that was started anew may have lost what it retained; any thread."""
        with self._lock:
            self._waiting[index] = dict(self._newest)
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
