"""The outbox worker: one pass over what is due. At least once; what was sent is remembered in the store.

The service schedules the passes. A channel that fails is left alone for the rest of the pass, so that an outage costs
one timeout and not one for every waiting alert.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from alerts.alert import Alert
from alerts.delivery.channel import Channel, Notice
from alerts.engine import RAISED, REPLACED
from gylewatch.errors import DeliveryError
from gylewatch.values import BatchId

GIVEN_UP = "given up: "
"""Begins the stored reason of a delivery that will not be tried again."""


class OutboxEntry(Protocol):
    """One alert that is still to go out over one channel."""

    @property
    def id(self) -> int: ...
    @property
    def channel(self) -> str: ...
    @property
    def attempts(self) -> int: ...
    @property
    def batch_id(self) -> BatchId: ...
    @property
    def batch_name(self) -> str: ...
    @property
    def alert(self) -> Alert: ...
    @property
    def reason(self) -> str: ...


class OutboxStore(Protocol):
    """Where deliveries are kept."""

    def outbox_due(self, now: datetime, limit: int) -> Sequence[OutboxEntry]:
        """Deliveries that are to be tried by `now`, the oldest first."""
        ...

    def outbox_failing(self, limit: int) -> Sequence[OutboxEntry]:
        """Deliveries that have failed and wait, or were given up."""
        ...

    def outbox_delivered(self, outbox_id: int, now: datetime) -> None:
        """Note a delivery."""
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
    left_out: tuple[int, ...] = ()  # ends that nobody needs to hear
    postponed: tuple[int, ...] = ()  # not tried: their channel failed before them, or their beginning has not arrived
    failures: tuple[Failure, ...] = ()


def deliver_due(
    store: OutboxStore,
    channels: Mapping[str, Channel],
    now: datetime,
    *,
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
    policy : when to try again; the default suits a home network
    generator : spreads the retries; None: no spread
    limit : most deliveries in this pass

    Returns
    -------
    What was delivered, left out, postponed and what failed. Failures are values here, never exceptions.
    """
    policy = policy or RetryPolicy()
    unheard = _unheard(store)
    delivered: list[int] = []
    left_out: list[int] = []
    postponed: list[int] = []
    failures: list[Failure] = []
    down: set[str] = set()
    for entry in store.outbox_due(now, limit):
        beginning = _beginning(entry)
        if entry.alert.evidence.get(REPLACED) or unheard.get(beginning) == GIVEN_UP:
            store.outbox_delivered(entry.id, now)
            left_out.append(entry.id)
        elif entry.channel in down or beginning in unheard:
            postponed.append(entry.id)
        else:
            failure = _attempt(entry, channels, now, policy, generator)
            if failure is None:
                store.outbox_delivered(entry.id, now)
                delivered.append(entry.id)
                continue
            store.outbox_failed(entry.id, retry_at=failure.retry_at, reason=failure.reason)
            failures.append(failure)
            if failure.retry_at is not None:
                down.add(entry.channel)
            if entry.alert.resolves is None:
                unheard[_key(entry)] = GIVEN_UP if failure.retry_at is None else ""
    return DeliveryRound(
        delivered=tuple(delivered), left_out=tuple(left_out), postponed=tuple(postponed), failures=tuple(failures)
    )


def _attempt(
    entry: OutboxEntry,
    channels: Mapping[str, Channel],
    now: datetime,
    policy: RetryPolicy,
    generator: random.Random | None,
) -> Failure | None:
    channel = channels.get(entry.channel)
    notice = Notice(batch_id=entry.batch_id, batch_name=entry.batch_name, alert=entry.alert)
    try:
        if channel is None:
            # It may come back with the next configuration, so this is tried again like an outage.
            raise DeliveryError(entry.channel, retry=True, reason="no such channel in the configuration; add it again")
        channel.deliver(notice)
    except DeliveryError as error:
        failed = entry.attempts + 1
        again = error.retry and failed < policy.attempts
        return Failure(
            outbox_id=entry.id,
            channel=entry.channel,
            reason=error.reason if again else GIVEN_UP + error.reason,
            retry_at=now + policy.pause(failed, generator) if again else None,
        )
    return None


_Key = tuple[str, BatchId, str, str]


def _key(entry: OutboxEntry) -> _Key:
    time = entry.alert.time.isoformat().replace("+00:00", "Z")
    return entry.channel, entry.batch_id, entry.alert.kind.value, time


def _beginning(entry: OutboxEntry) -> _Key | None:
    """What must have been heard before this is: for an end, the alert that ends; None for a beginning."""
    if entry.alert.resolves is None:
        return None
    return entry.channel, entry.batch_id, entry.alert.resolves.value, str(entry.alert.evidence.get(RAISED, ""))


def _unheard(store: OutboxStore) -> dict[_Key | None, str]:
    """The beginnings that a channel has not taken: waiting (empty text) or given up."""
    found: dict[_Key | None, str] = {}
    for entry in store.outbox_failing(1000):
        if entry.alert.resolves is None:
            found[_key(entry)] = GIVEN_UP if entry.reason.startswith(GIVEN_UP) else ""
    return found
