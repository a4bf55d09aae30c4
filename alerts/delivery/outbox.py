"""The outbox worker: one pass over what is due. At least once; what was sent is remembered in the store.

The service schedules the passes. A channel that fails is left alone for the rest of the pass, so that an outage costs
one timeout and not one for every waiting alert.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Protocol

from alerts.delivery.channel import Channel
from alerts.delivery.policy import EVERYTHING, Action, ChannelPolicy, Decision, decide, next_reminder
from alerts.notice import Beginning, Message, Standing
from gylewatch.errors import DeliveryError

GIVEN_UP = "given up: "
"""Begins the stored reason of a delivery that will not be tried again."""


class OutboxEntry(Protocol):
    """One message that is still to go out over one channel."""

    @property
    def id(self) -> int: ...
    @property
    def channel(self) -> str: ...
    @property
    def attempts(self) -> int: ...
    @property
    def message(self) -> Message: ...
    @property
    def standing(self) -> Standing: ...


class OutboxStore(Protocol):
    """Where deliveries are kept."""

    def outbox_due(self, now: datetime, limit: int) -> Sequence[OutboxEntry]:
        """Deliveries that are to be tried by `now`, the oldest first."""
        ...

    def outbox_beginning(self, outbox_id: int) -> Beginning | None:
        """What the channel did with the beginning of which this delivery tells the end."""
        ...

    def outbox_delivered(self, outbox_id: int, now: datetime, *, again: datetime | None = None) -> None:
        """Note a delivery; `again`: when to remind of it."""
        ...

    def outbox_left_out(self, outbox_id: int, now: datetime, *, reason: str) -> None:
        """Note that a message is not told."""
        ...

    def outbox_held(self, outbox_id: int, *, until: datetime, reason: str) -> None:
        """Hold a message back until a time."""
        ...

    def outbox_failed(self, outbox_id: int, *, retry_at: datetime | None, reason: str) -> None:
        """Note a failed attempt; `retry_at` None gives it up."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class RetryPolicy:
    """When to try again."""

    first_s: float = 30.0  # most outages of a home network are shorter than a few of these
    longest_s: float = 3600.0  # an hour late is late enough once the service is back
    attempts: int = 30  # with the pauses above, about a day; older news is read on the page
    jitter: float = 0.25  # spreads the retries of many alerts and services by this fraction either way

    def pause(self, failed: int, generator: random.Random | None) -> timedelta:
        """The pause after `failed` failed attempts (1 or more): doubling, bounded, spread by `generator`."""
        seconds = min(self.longest_s, self.first_s * 2.0 ** min(failed - 1, 60))
        spread = 0.0 if generator is None else generator.uniform(-self.jitter, self.jitter)
        return timedelta(seconds=seconds * (1 + spread))


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """One attempt that failed."""

    outbox_id: int
    channel: str
    reason: str
    retry_at: datetime | None  # None: given up


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryRound:
    """What one pass did."""

    delivered: tuple[int, ...] = ()
    left_out: tuple[int, ...] = ()  # what nobody needs to hear (any more)
    held: tuple[int, ...] = ()  # until quiet hours, a snooze or a second line's wait are over
    postponed: tuple[int, ...] = ()  # not tried: their channel failed before them, or their beginning has not arrived
    failures: tuple[Failure, ...] = ()


@dataclass(slots=True)
class _Pass:
    store: OutboxStore
    channels: Mapping[str, Channel]
    policies: Mapping[str, ChannelPolicy]
    now: datetime
    retry: RetryPolicy
    generator: random.Random | None
    delivered: list[int] = field(default_factory=list)
    left_out: list[int] = field(default_factory=list)
    held: list[int] = field(default_factory=list)
    postponed: list[int] = field(default_factory=list)
    failures: list[Failure] = field(default_factory=list)
    down: set[str] = field(default_factory=set)

    def take(self, entry: OutboxEntry) -> None:
        policy = self.policies.get(entry.channel, EVERYTHING)
        decision = self._decide(entry, policy)
        if decision.action is Action.LEAVE_OUT:
            self.store.outbox_left_out(entry.id, self.now, reason=decision.reason)
            self.left_out.append(entry.id)
        elif decision.action is Action.HOLD and decision.until is not None:
            self.store.outbox_held(entry.id, until=decision.until, reason=decision.reason)
            self.held.append(entry.id)
        elif decision.action is Action.WAIT or entry.channel in self.down:
            self.postponed.append(entry.id)
        else:
            self._send(entry, policy)

    def _decide(self, entry: OutboxEntry, policy: ChannelPolicy) -> Decision:
        beginning = self.store.outbox_beginning(entry.id) if entry.message.ends else None
        return decide(policy, entry.message, entry.standing, beginning, self.now)

    def _send(self, entry: OutboxEntry, policy: ChannelPolicy) -> None:
        failure = self._attempt(entry)
        if failure is None:
            self.store.outbox_delivered(entry.id, self.now, again=next_reminder(policy, entry.message, self.now))
            self.delivered.append(entry.id)
            return
        self.store.outbox_failed(entry.id, retry_at=failure.retry_at, reason=failure.reason)
        self.failures.append(failure)
        if failure.retry_at is not None:
            self.down.add(entry.channel)

    def _attempt(self, entry: OutboxEntry) -> Failure | None:
        channel = self.channels.get(entry.channel)
        try:
            if channel is None:
                # It may come back with the next configuration, so this is tried again like an outage.
                raise DeliveryError(
                    entry.channel, retry=True, reason="no such channel in the configuration; add it again"
                )
            channel.deliver(entry.message)
        except DeliveryError as error:
            failed = entry.attempts + 1
            again = error.retry and failed < self.retry.attempts
            return Failure(
                outbox_id=entry.id,
                channel=entry.channel,
                reason=error.reason if again else GIVEN_UP + error.reason,
                retry_at=self.now + self.retry.pause(failed, self.generator) if again else None,
            )
        return None


def deliver_due(
    store: OutboxStore,
    channels: Mapping[str, Channel],
    now: datetime,
    *,
    policies: Mapping[str, ChannelPolicy] | None = None,
    policy: RetryPolicy | None = None,
    generator: random.Random | None = None,
    limit: int = 100,
) -> DeliveryRound:
    """Deliver what is due at `now`, once, in order.

    Parameters
    ----------
    store : where deliveries are kept; what it raises is not caught
    channels : by the name under which the outbox knows them
    now : aware, UTC
    policies : what each channel wants to hear and when; a channel without one hears everything at once
    policy : when to try again; the default suits a home network
    generator : spreads the retries; None: no spread
    limit : most deliveries in this pass

    Returns
    -------
    What was delivered, left out, held, postponed and what failed. Failures are values here, never exceptions.
    """
    work = _Pass(store, channels, policies or {}, now, policy or RetryPolicy(), generator)
    for entry in store.outbox_due(now, limit):
        work.take(entry)
    return DeliveryRound(
        delivered=tuple(work.delivered),
        left_out=tuple(work.left_out),
        held=tuple(work.held),
        postponed=tuple(work.postponed),
        failures=tuple(work.failures),
    )
