"""Which open alerts still have room among what needs attention: news has been read after a day, trouble stays. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from alerts.alert import Alert, Kind, Severity

NEWS: Final = frozenset({Kind.FERMENTATION_STARTED})
"""Kinds that ask nothing of anybody. A plateau and a finish do: they wait for hand samples, and for bottles."""

NEWS_FOR: Final = timedelta(days=1)  # whoever looks once a day has met it; so has one daily summary


def is_old_news(alert: Alert, now: datetime, *, seen: bool) -> bool:
    """Whether an open alert asks nothing, and has been seen or has stood for a day. Its life cycle is not touched."""
    return alert.kind in NEWS and (seen or now - alert.time > NEWS_FOR)


def wants_room(alert: Alert, now: datetime, *, seen: bool) -> bool:
    """Whether an open alert belongs in a short list of what needs attention.

    Of what is only informational nothing that a person has seen: the phase says the rest.
    """
    return alert.severity is not Severity.INFO or not (seen or is_old_news(alert, now, seen=seen))
