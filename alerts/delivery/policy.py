"""Policy: whether a channel tells a message now, later or not at all. Pure: the time is passed in.

An alert that is critical passes quiet hours. Ends never do: what is over can wait for the morning.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from enum import StrEnum
from typing import Final

from alerts.alert import Severity
from alerts.notice import Beginning, Message, ServiceNotice, Standing

_RANK: Final = {Severity.INFO: 0, Severity.WARNING: 1, Severity.CRITICAL: 2}

MOST_REMINDERS: Final = 3
# Who has not answered to three reminders will not answer to a fourth; the alert stays open on the page.

_DAY: Final = timedelta(days=1)

DIGEST_LATE: Final = timedelta(hours=6)
# A morning's summary is still news at noon; in the evening the next one is nearer.


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelPolicy:
    """What one channel wants to hear, and when.

    Parameters
    ----------
    least : alerts milder than this are left out
    zone : of the times below
    quiet : begin and end of the hours in which only critical alerts pass
    digest : time of the daily summary; None: no summary
    after : a second line: an alert goes here only if it is open and nobody acknowledged it for so long
    remind : an open alert (warning or critical) that nobody acknowledged is told again at this interval
    once : each message once: what became graver before it could be told too, and nothing again after a snooze
    """

    least: Severity = Severity.INFO
    zone: tzinfo = UTC
    quiet: tuple[time, time] | None = None
    digest: time | None = None
    after: timedelta = timedelta(0)
    remind: timedelta | None = None
    once: bool = False

    def __post_init__(self) -> None:
        if self.quiet is not None and self.quiet[0] == self.quiet[1]:
            raise ValueError("quiet must have a begin and another end")


EVERYTHING: Final = ChannelPolicy()
"""Every message, at once."""

PROGRAMS: Final = ChannelPolicy(once=True)
"""The same for programs: they do not forget, and would count what is repeated as another alert."""


class Action(StrEnum):
    SEND = "send"
    HOLD = "hold"  # until a known time
    WAIT = "wait"  # for the beginning, which has a time of its own
    LEAVE_OUT = "leave-out"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What to do with a message, and why."""

    action: Action
    reason: str
    until: datetime | None = None  # of a message that is held


def decide(
    policy: ChannelPolicy, message: Message, standing: Standing, beginning: Beginning | None, now: datetime
) -> Decision:
    """Decide about one message that is due.

    Parameters
    ----------
    policy : of the channel
    message : with the number of times this channel took it
    standing : what has become of it since
    beginning : for an end, what the channel did with the beginning; None: it never had it, e.g. it is newer
    now : aware, UTC
    """
    if isinstance(message, ServiceNotice) and message.is_digest:
        return Decision(action=Action.SEND, reason="it is the daily summary")
    if message.ends:
        return _decide_end(policy, message, beginning, now)
    why_not = _why_not_at_all(policy, message, standing)
    if why_not is not None:
        return _leave_out(why_not)
    held = _why_not_yet(policy, message, standing, now)
    if held is not None:
        return held
    return Decision(action=Action.SEND, reason="it is a reminder" if message.told else "it is new")


def _why_not_at_all(policy: ChannelPolicy, message: Message, standing: Standing) -> str | None:
    second_line = policy.after > timedelta(0)
    if _RANK[message.severity] < _RANK[policy.least]:
        return f"this channel wants {policy.least} and above"
    if policy.once and message.told:
        return "this channel hears each message once"
    if standing.over and (standing.held or second_line or message.told):
        return "it was over before it was to be told"
    if standing.replaced and not policy.once:
        return "a graver alert takes its place"
    # A snooze that came after it asks to be told again; acknowledging ends a snooze.
    if standing.acknowledged and standing.snoozed_until is None and (second_line or message.told):
        return "somebody acknowledged it"
    return None


def _why_not_yet(policy: ChannelPolicy, message: Message, standing: Standing, now: datetime) -> Decision | None:
    # A channel that wants to hear at once is not kept waiting by a float's clock that is minutes ahead.
    if policy.after > timedelta(0) and not message.told and now < message.time + policy.after:
        return _hold(message.time + policy.after, "a second line hears of it only if nobody acknowledges it")
    if standing.snoozed_until is not None and now < standing.snoozed_until:
        return _hold(standing.snoozed_until, "it is snoozed")
    quiet_until = None if message.severity is Severity.CRITICAL else quiet_end(policy, now)
    return None if quiet_until is None else _hold(quiet_until, "quiet hours")


def next_reminder(policy: ChannelPolicy, message: Message, now: datetime) -> datetime | None:
    """When a message that was just told is to be told again, if nobody acknowledges it and it is still open."""
    if policy.remind is None or message.ends or message.severity is Severity.INFO or message.told >= MOST_REMINDERS:
        return None
    if isinstance(message, ServiceNotice) and message.is_digest:
        return None
    return now + policy.remind


def quiet_end(policy: ChannelPolicy, now: datetime) -> datetime | None:
    """The end of the quiet hours in which `now` lies; None outside them."""
    if policy.quiet is None:
        return None
    begin, end = policy.quiet
    local = now.astimezone(policy.zone)
    at = local.time().replace(tzinfo=None)
    is_quiet = begin <= at < end if begin < end else at >= begin or at < end
    if not is_quiet:
        return None
    today = datetime.combine(local.date(), end, policy.zone).astimezone(UTC)
    return (
        today if today > now else datetime.combine(local.date() + timedelta(days=1), end, policy.zone).astimezone(UTC)
    )


def digest_slot(policy: ChannelPolicy, now: datetime) -> datetime | None:
    """The time of the daily summary that is to be told at `now`; None where none is wanted or it is too late."""
    if policy.digest is None:
        return None
    date = now.astimezone(policy.zone).date()
    slots = (datetime.combine(day, policy.digest, policy.zone).astimezone(UTC) for day in (date, date - _DAY))
    return next((slot for slot in slots if slot <= now < slot + DIGEST_LATE), None)


def _decide_end(policy: ChannelPolicy, message: Message, beginning: Beginning | None, now: datetime) -> Decision:
    why_not = _why_no_end(policy, message, beginning)
    if why_not is not None:
        return _leave_out(why_not)
    if beginning is Beginning.WAITING:
        return Decision(action=Action.WAIT, reason="the beginning has not been told yet")
    quiet_until = quiet_end(policy, now)
    if quiet_until is not None:
        return _hold(quiet_until, "quiet hours")
    return Decision(action=Action.SEND, reason="what was told is over")


def _why_no_end(policy: ChannelPolicy, message: Message, beginning: Beginning | None) -> str | None:
    if message.replaced:
        return "a graver alert takes its place"
    if message.has_verdict and not policy.once:
        # "The gravity no longer counts as steady" beside "finished" sounds as if it fell again.
        return "its verdict is told by itself"
    if message.batch_ended and not policy.once:
        return "who ended the batch knows"
    if beginning in (None, Beginning.LEFT_OUT, Beginning.GIVEN_UP):
        return "nobody here heard the beginning"
    return None


def _leave_out(reason: str) -> Decision:
    return Decision(action=Action.LEAVE_OUT, reason=reason)


def _hold(until: datetime, reason: str) -> Decision:
    return Decision(action=Action.HOLD, reason=reason, until=until)
