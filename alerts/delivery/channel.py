"""What every channel offers, and the message it carries. No I/O here."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from typing import Protocol

from alerts.advice import advice_on
from alerts.alert import Severity
from alerts.engine import SWITCHED_OFF
from alerts.evidence import clock, in_words
from alerts.notice import Message, Notice, ServiceNotice

__all__ = ["Channel", "Message", "Notice", "ServiceNotice", "body", "title", "trial_notice"]


class Channel(Protocol):
    """A way to reach a person or a program."""

    @property
    def name(self) -> str:
        """The name the user gave the channel."""
        ...

    def deliver(self, message: Message) -> None:
        """Hand the message over, or raise `DeliveryError` that says whether trying again may help."""
        ...


def title(message: Message) -> str:
    """One line that is understood on a locked telephone: the batch, and what is the matter."""
    if isinstance(message, ServiceNotice):
        return ("ended: " if message.ends else _mark(message)) + message.title
    advice = advice_on(message.alert)
    if message.ends and message.alert.evidence.get(SWITCHED_OFF):
        return f"{message.batch_name}: no longer watched: {advice.title}"
    return f"{message.batch_name}: " + (advice.end_title if message.ends else _mark(message) + advice.title)


def _mark(message: Message) -> str:
    """What sets it apart from a message of the same kind that was told before."""
    marks = (["still"] if message.told else []) + (["critical"] if message.severity is Severity.CRITICAL else [])
    return f"{' '.join(marks)}: " if marks else ""


def body(message: Message, caption: str = "", zone: tzinfo = UTC) -> str:
    """The message in plain text: what, why, what next, what to beware of; and what a picture beside it shows.

    Parameters
    ----------
    zone : of the times in it
    """
    if isinstance(message, ServiceNotice):
        return message.text
    alert, advice = message.alert, advice_on(message.alert)
    parts = [alert.summary]
    if message.told:
        parts.append(f"That was so at {clock(alert.time, zone)}, and it is still open; the numbers are of then.")
    evidence = in_words(alert.evidence, zone)
    if evidence:
        parts.append("Evidence:\n" + "\n".join(f"- {phrase}" for phrase in evidence))
    if alert.resolves is None:
        parts.append(f"Next: {advice.next_step}")
        if advice.caution is not None:
            parts.append(f"Caution: {advice.caution}")
    if caption:
        parts.append(caption)
    parts.append(f"{alert.severity.value} · {alert.kind.value} · {clock(alert.time, zone)}")
    return "\n\n".join(parts)


def trial_notice(now: datetime) -> ServiceNotice:
    """A notice by which a user finds out whether a channel works; it says that it is only a test."""
    return ServiceNotice(
        time=now,
        cause="test",
        severity=Severity.INFO,
        title="Test: notifications come this way",
        text="This is only a test of the channel: no beer is concerned. Alerts say in their title which batch they are "
        f"about.\n\ninfo · test · {clock(now)}",
    )
