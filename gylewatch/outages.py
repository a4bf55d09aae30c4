"""Outages of what brings readings in or keeps them: one notice for each cause, however many floats it silences.

Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from alerts.alert import Severity
from alerts.evidence import clock
from alerts.notice import ServiceNotice

PATIENCE: Final = timedelta(minutes=15)
# A broker's or a machine's restart takes minutes, and floats keep quiet for as long anyway: nobody needs to be told.

STEADY: Final = timedelta(minutes=2)
# So long it must work again before the end is told: a broker that comes and goes is one outage.


@dataclass(frozen=True, slots=True, kw_only=True)
class Receiver:
    """One way in which readings arrive, or what all of them need here."""

    cause: str  # identity, e.g. "broker:cellar"
    name: str  # in words
    works: bool
    since: datetime  # of the state `works` tells
    problem: str | None  # one sentence with a remedy
    title: str = ""  # of the message about its outage, where it is no way from the floats to us
    consequence: str = ""


def outage_notices(
    receivers: Sequence[Receiver], opened: Sequence[ServiceNotice], now: datetime
) -> tuple[ServiceNotice, ...]:
    """What is to be told now: outages that have lasted, and ends of those that were told.

    Parameters
    ----------
    receivers : every one in the configuration, and what they need here
    opened : notices that were told and have not ended, of any cause
    now : aware, UTC
    """
    open_causes = {notice.cause for notice in opened}
    told = [_begins(receiver) for receiver in receivers if _has_failed(receiver, open_causes, now)]
    by_cause = {receiver.cause: receiver for receiver in receivers}
    for notice in opened:
        receiver = by_cause.get(notice.cause)
        if receiver is None:
            told.append(_ends(notice, now, "It is no longer in the configuration."))
        elif receiver.works and now - receiver.since >= STEADY:
            told.append(_ends(notice, now, f"It works again since {clock(receiver.since)}."))
    return tuple(told)


def _has_failed(receiver: Receiver, open_causes: set[str], now: datetime) -> bool:
    return not receiver.works and now - receiver.since >= PATIENCE and receiver.cause not in open_causes


def _begins(receiver: Receiver) -> ServiceNotice:
    return ServiceNotice(
        time=receiver.since,
        cause=receiver.cause,
        severity=Severity.WARNING,
        title=receiver.title or f"No readings over {receiver.name}",
        text=(receiver.consequence or f"Since {clock(receiver.since)} no readings arrive over it.")
        + " The floats are not to blame and no silence of theirs is told; nobody knows meanwhile how the beer does."
        f"\n\nReason: {receiver.problem or 'it does not answer'}"
        "\n\nNext: Look after the beer by hand until it is mended.",
    )


def _ends(notice: ServiceNotice, now: datetime, text: str) -> ServiceNotice:
    return ServiceNotice(time=now, cause=notice.cause, severity=Severity.INFO, title=notice.title, text=text, ends=True)
