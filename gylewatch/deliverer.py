"""Deliverer: takes what is due from the outbox to the channels, each by a thread of its own."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Final

import structlog

from alerts.delivery.channel import Channel
from alerts.delivery.digest import BatchSummary, daily_summary
from alerts.delivery.outbox import Unnoted, deliver_due
from alerts.delivery.policy import ChannelPolicy, digest_slot
from gylewatch.clock import Clock
from gylewatch.errors import StorageError
from gylewatch.routine import Routine
from storage.store import Store

STOP_S: Final = 8.0
# A mail may wait 5.5 seconds for its turn (Apprise's own pace) and takes a second or two; what a channel was given and
# the store does not note is told again after the next start.
LOOK_EVERY_S: Final = 5.0  # for retries that have become due; new alerts wake it at once

_log = structlog.get_logger(__name__)


class Deliverer:
    """A delivery that does not end in time when it is stopped is tried again after the next start.

    Parameters
    ----------
    store : the outbox
    channels : by name
    clock : decides what is due
    policies : what each channel wants to hear and when, by its name
    """

    def __init__(
        self,
        store: Store,
        channels: Mapping[str, Channel],
        clock: Clock,
        policies: Mapping[str, ChannelPolicy] | None = None,
    ) -> None:
        # The first also notes that a message has no channel (any more): somebody must, and it takes no time.
        first = next(iter(channels), "")
        self._lines = tuple(
            _Line(name, store, channels, clock, policies or {}, mine=_taker(name, channels, and_unknown=name == first))
            for name in channels or [first]
        )

    def start(self) -> None:
        for line in self._lines:
            line.start()

    def stop(self) -> None:
        """Finish what is in hand, if it ends within `STOP_S` in all, and end."""
        for line in self._lines:
            line.ask_to_stop()
        until_s = time.monotonic() + STOP_S
        for line in self._lines:
            line.wait(max(until_s - time.monotonic(), 0.0))

    @property
    def is_stopping(self) -> bool:
        """Whether it was asked to end; any thread."""
        return all(line.is_stopping for line in self._lines)

    def wake(self) -> None:
        """Tell that there is something to do; any thread."""
        for line in self._lines:
            line.wake()


def _taker(name: str, channels: Mapping[str, Channel], *, and_unknown: bool) -> Callable[[str], bool]:
    return lambda channel: channel == name or (and_unknown and channel not in channels)


class _Line(Routine):
    """The thread of one channel: while a service keeps it waiting, the other channels tell what they have to tell."""

    def __init__(
        self,
        name: str,
        store: Store,
        channels: Mapping[str, Channel],
        clock: Clock,
        policies: Mapping[str, ChannelPolicy],
        *,
        mine: Callable[[str], bool],
    ) -> None:
        super().__init__(f"deliverer {name}", stop_s=STOP_S)
        self._store = store
        self._channels = channels
        self._clock = clock
        self._policies = policies
        self._mine = mine
        self._summarised: dict[str, datetime] = {}  # the last slot of each channel
        self._unnoted: Unnoted = {}
        self._problem: str | None = None  # of the store, in the log already
        self._generator = random.Random()  # noqa: S311  spreads retries; no secret

    def _run(self) -> None:
        self._wake.set()  # what waited since before the start
        while not self._stopping.is_set():
            self._wake.wait(LOOK_EVERY_S)
            self._wake.clear()
            if self._stopping.is_set():
                return
            try:
                self._say("deliveries could not be noted; that is tried again", self._turn())
            except StorageError as error:
                self._say("the outbox cannot be used now", error)
            except Exception:
                _log.exception("a look at the outbox failed; the messages stay in it")

    def _turn(self) -> StorageError | None:
        """Why what was delivered could not be noted, if it could not."""
        now = self._clock.now()
        done = deliver_due(
            self._store,
            self._channels,
            now,
            policies=self._policies,
            generator=self._generator,
            unnoted=self._unnoted,
            stopping=lambda: self.is_stopping,
            mine=self._mine,
        )
        for failure in done.failures:
            _log.warning(
                "an alert could not be delivered",
                channel=failure.channel,
                reason=failure.reason,
                again="never" if failure.retry_at is None else failure.retry_at.isoformat(timespec="seconds"),
            )
        if done.delivered:
            _log.info("alerts delivered", number=len(done.delivered))
        self._summarise(now)  # last: what goes wrong with a summary must hold up no alert
        return done.fault

    def _say(self, event: str, fault: StorageError | None) -> None:
        """Once for each problem and channel: a look every few seconds would fill a log on that same full disk."""
        problem = None if fault is None else str(fault)
        if problem is not None and problem != self._problem:
            _log.warning(event, problem=problem)
        self._problem = problem

    def _summarise(self, now: datetime) -> None:
        """Put the daily summaries that are due into the outbox; the store keeps each slot once."""
        for channel, policy in self._policies.items():
            slot = digest_slot(policy, now) if self._mine(channel) else None
            if slot is None or self._summarised.get(channel) == slot:
                continue
            summary = daily_summary(channel, self._batches(), self._store.open_notices(), slot=slot, zone=policy.zone)
            if summary is not None:
                self._store.add_notice(summary, channels=[channel])
            self._summarised[channel] = slot

    def _batches(self) -> list[BatchSummary]:
        records = self._store.batches(active_only=True)
        ids = [record.batch_id for record in records]
        estimates, alerts = self._store.latest_estimates(ids), self._store.open_alerts_of(ids)
        return [
            BatchSummary(
                name=record.batch.name,
                estimate=estimates.get(record.batch_id),
                open_alerts=tuple(each.alert for each in alerts.get(record.batch_id, ())),
                seen=frozenset(each.alert.subject for each in alerts.get(record.batch_id, ()) if each.is_seen),
            )
            for record in records
        ]
