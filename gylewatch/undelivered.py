"""What is told of notifications that do not arrive: over which channel, and why."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from alerts.delivery.outbox import GIVEN_UP
from storage.records import OutboxRecord

SHOWN: Final = timedelta(days=7)  # what was given up; long enough to be seen by who looks now and then


def undelivered(failing: Sequence[OutboxRecord], now: datetime) -> list[str]:
    """One sentence for each channel that fails, and for each over which something was given up lately.

    Parameters
    ----------
    failing : the newest first; of several alike the newest is told
    now : aware, UTC
    """
    told: dict[tuple[str, bool], str] = {}
    for each in failing:
        given_up = each.reason.startswith(GIVEN_UP)
        if given_up and now - each.message.time > SHOWN:
            continue
        what = "a notification was" if given_up else "notifications fail and are tried again:"
        told.setdefault((each.channel, given_up), f"over {each.channel} {what} {each.reason}")
    return list(told.values())
