"""One pass over what is due in the outbox. At least once; what was sent is remembered in the store.

The service schedules the passes. A channel that fails is left alone for the rest of the pass, so that an outage costs
one timeout and not one for every waiting alert. A store that cannot be written (a full disk) must not make a reader
hear the same message every few seconds, nor a channel that fails be asked so often: what became of a message is then
remembered by whoever calls the passes.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Protocol

import structlog

from alerts.delivery.channel import Channel
from alerts.delivery.policy import EVERYTHING, Action, ChannelPolicy, Decision, decide, next_reminder
from alerts.notice import Beginning, Message, Notice, Standing
from gylewatch.errors import DeliveryError, NotFound, StorageError

_log = structlog.get_logger(__name__)

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

    def outbox_due(self, now: datetime, limit: int, *, after: int = 0) -> Sequence[OutboxEntry]:
        """Deliveries behind the one with id `after` that are to be tried by `now`, the oldest first."""
        ...

    def outbox_beginning(self, outbox_id: int) -> Beginning | None:
        """What the channel did with the beginning, at any severity, of which this delivery tells the end."""
        ...

    def outbox_delivered(self, outbox_id: int, now: datetime, *, again: datetime | None = None) -> None:
        """Note a delivery; `again`: when to remind of it."""
        ...

    def outbox_begin_again(self, ended: Notice, channel: str, now: datetime) -> None:
        """Let a channel hear anew of what it was told the end of, because that end was taken back."""
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
    attempts: int  # so far


Unnoted = MutableMapping[int, Failure | None]
"""What became of messages and is not in the store yet, by their ids; None: they were delivered."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryRound:
    """What one pass did."""

    delivered: tuple[int, ...] = ()
    left_out: tuple[int, ...] = ()  # what nobody needs to hear (any more)
    held: tuple[int, ...] = ()  # until quiet hours, a snooze or a second line's wait are over
    postponed: tuple[int, ...] = ()  # not tried: their channel failed before them, or their beginning has not arrived
    failures: tuple[Failure, ...] = ()
    fault: StorageError | None = None  # why what was done could not be noted; it is noted by a later pass


@dataclass(slots=True)
class _Pass:
    store: OutboxStore
    channels: Mapping[str, Channel]
    policies: Mapping[str, ChannelPolicy]
    now: datetime
    retry: RetryPolicy
    generator: random.Random | None
    unnoted: Unnoted
    delivered: list[int] = field(default_factory=list)
    left_out: list[int] = field(default_factory=list)
    held: list[int] = field(default_factory=list)
    postponed: list[int] = field(default_factory=list)
    failures: list[Failure] = field(default_factory=list)
    down: set[str] = field(default_factory=set)
    fault: StorageError | None = None

    def take(self, entry: OutboxEntry) -> None:
        policy = self.policies.get(entry.channel, EVERYTHING)
        failure = self.unnoted.get(entry.id)
        if failure is not None and (failure.retry_at is None or failure.retry_at > self.now):
            self._note_failure(failure)
            self.postponed.append(entry.id)
            return
        if failure is None and entry.id in self.unnoted:
            self._note_delivery(entry, policy)
            return
        decision = self._decide(entry, policy)
        if decision.action is Action.LEAVE_OUT:
            reason = decision.reason
            self._note(lambda: self.store.outbox_left_out(entry.id, self.now, reason=reason))
            self.left_out.append(entry.id)
        elif decision.action is Action.HOLD and decision.until is not None:
            until, reason = decision.until, decision.reason
            self._note(lambda: self.store.outbox_held(entry.id, until=until, reason=reason))
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
        self.unnoted[entry.id] = failure
        if failure is None:
            self.delivered.append(entry.id)
            self._note_delivery(entry, policy)
            return
        self._note_failure(failure)
        self.failures.append(failure)
        if failure.retry_at is not None:
            self.down.add(entry.channel)

    def _note_delivery(self, entry: OutboxEntry, policy: ChannelPolicy) -> None:
        again = next_reminder(policy, entry.message, self.now)
        if self._note(lambda: self._delivered(entry, again)):
            self.unnoted.pop(entry.id)  # its reminder has the same id

    def _delivered(self, entry: OutboxEntry, again: datetime | None) -> None:
        try:
            self.store.outbox_delivered(entry.id, self.now, again=again)
        except NotFound:
            # Its batch was removed, or reopened in the moment in which its end was told.
            if isinstance(entry.message, Notice) and entry.message.batch_ended:
                self.store.outbox_begin_again(entry.message, entry.channel, self.now)

    def _note_failure(self, failure: Failure) -> None:
        if self._note(
            lambda: self.store.outbox_failed(failure.outbox_id, retry_at=failure.retry_at, reason=failure.reason)
        ):
            self.unnoted.pop(failure.outbox_id)

    def _note(self, write: Callable[[], None]) -> bool:
        """Whether the store took it. After one refusal no more is asked of it in this pass: each may cost a timeout."""
        if self.fault is None:
            try:
                write()
            except StorageError as error:
                self.fault = error
            except NotFound:
                pass  # its batch was removed, or the end that it tells was taken back: there is nothing left to note
        return self.fault is None

    def _attempt(self, entry: OutboxEntry) -> Failure | None:
        channel = self.channels.get(entry.channel)
        if channel is None:
            # It may come back with the next configuration, so this is tried again like an outage.
            return self._failure(entry, "no such channel in the configuration; add it again", retry=True)
        try:
            channel.deliver(entry.message)
        except DeliveryError as error:
            return self._failure(entry, error.reason, retry=error.retry)
        except Exception as error:
            # One message that we or a channel's library stumble over must not hold up all behind it.
            _log.exception("a delivery failed in an unexpected way", channel=entry.channel)
            kind = type(error).__name__
            return self._failure(entry, f"a fault in the program ({kind}), its log has the details", retry=True)
        return None

    def _failure(self, entry: OutboxEntry, reason: str, *, retry: bool) -> Failure:
        before = self.unnoted.get(entry.id)
        failed = max(entry.attempts, before.attempts if before else 0) + 1
        again = retry and failed < self.retry.attempts
        return Failure(
            outbox_id=entry.id,
            channel=entry.channel,
            reason=reason if again else GIVEN_UP + reason,
            retry_at=self.now + self.retry.pause(failed, self.generator) if again else None,
            attempts=failed,
        )


def deliver_due(
    store: OutboxStore,
    channels: Mapping[str, Channel],
    now: datetime,
    *,
    policies: Mapping[str, ChannelPolicy] | None = None,
    policy: RetryPolicy | None = None,
    generator: random.Random | None = None,
    limit: int = 100,
    unnoted: Unnoted | None = None,
    stopping: Callable[[], bool] = lambda: False,
    mine: Callable[[str], bool] = lambda _channel: True,
) -> DeliveryRound:
    """Deliver what is due at `now`, once, in order.

    Parameters
    ----------
    store : where deliveries are kept. What it raises when it is read is not caught; a note that it refuses is tried
        again by a later pass
    channels : by the name under which the outbox knows them
    now : aware, UTC
    policies : what each channel wants to hear and when; a channel without one hears everything at once
    policy : when to try again; the default suits a home network
    generator : spreads the retries; None: no spread
    limit : most attempts in this pass. What waits for something else is no attempt: however much of it there is, it
        keeps nothing behind it from being told
    unnoted : what the store has not noted; kept by the caller from pass to pass and changed here
    stopping : asked before each message; once true, the rest waits for the next start
    mine : whether this pass is to take the messages of a channel, by its name; the others are left as they are

    Returns
    -------
    What was delivered, left out, held, postponed and what failed. Failures are values here, never exceptions.
    """
    remembered: Unnoted = {} if unnoted is None else unnoted
    work = _Pass(store, channels, policies or {}, now, policy or RetryPolicy(), generator, remembered)
    after, left = 0, True
    while left:
        entries = store.outbox_due(now, limit, after=after)
        left = len(entries) == limit
        for entry in entries:
            if len(work.delivered) + len(work.failures) >= limit or stopping():
                left = False
                break
            if mine(entry.channel):
                work.take(entry)
            after = entry.id
    return DeliveryRound(
        delivered=tuple(work.delivered),
        left_out=tuple(work.left_out),
        held=tuple(work.held),
        postponed=tuple(work.postponed),
        failures=tuple(work.failures),
        fault=work.fault,
    )
