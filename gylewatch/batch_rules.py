"""What is refused or asked about when a person adds, changes or ends a batch, at the terminal and on the page. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields
from datetime import datetime, timedelta
from typing import Final

from gylewatch.likely import too_hot_note
from gylewatch.values import Batch, minute_text

PITCHED_AHEAD: Final = timedelta(hours=1)  # a beer may be entered while it is being pitched
ENDED_AHEAD: Final = timedelta(minutes=5)  # two clocks of a brewery may differ by so much
WANTED_SINCE: Final = (
    "is what was wanted from pitching on, until the first step of the plan; if it is wanted from now on, "
)


def why_not_pitched(batch: Batch, now: datetime) -> str:
    """Why a batch cannot have been pitched when it says; empty: it can."""
    if batch.pitched - now <= PITCHED_AHEAD:
        return ""
    return (
        f"{minute_text(batch.pitched)} lies in the future; add the batch when the yeast is in, or check date and time "
        "zone"
    )


def why_not_changed(ended: datetime | None) -> str:
    """Why the facts of a batch stay as they are; empty: they can be changed."""
    return (
        f"ended at {minute_text(ended)}; what is over is not changed, unless it is reopened"
        if ended is not None
        else ""
    )


def why_not_ended(batch: Batch, time: datetime, now: datetime) -> str:
    """Why a batch cannot have ended at a time; empty: it can."""
    if time > now + ENDED_AHEAD:
        return f"{minute_text(time)} lies in the future; end the batch when its beer is packaged"
    if time < batch.pitched:
        return (
            f"{minute_text(time)} lies before the batch was pitched, at {minute_text(batch.pitched)}; give a later time"
        )
    return ""


def float_note(batch: Batch, others: Iterable[tuple[Batch, datetime | None]], remedy: str) -> str:
    """A note on a float that lay in another beer after this one was pitched; empty: it lay in none.

    Parameters
    ----------
    others : other batches, each with its end; an active one with the same float is refused elsewhere
    remedy : what to do about it
    """
    for other, ended in others:
        if other.float_id == batch.float_id and ended is not None and ended > batch.pitched:
            return (
                f"float {batch.float_id} lay in {other.name!r} until {minute_text(ended)}, after this beer was "
                f"pitched, and what it measured there would be taken for this beer; {remedy}"
            )
    return ""


def heat_note(batch: Batch, remedy: str) -> str:
    """A note on a wanted range that may be meant as it stands but hardly is; empty: nothing is odd about it."""
    ranges = (batch.temperature_c, *(step.temperature_c for step in batch.plan))
    return next(filter(None, (too_hot_note("a wanted range", each, remedy) for each in ranges)), "")


def changes(before: Batch, after: Batch) -> tuple[str, ...]:
    """The names of what differs, as a batch file has them."""
    names = {"original_gravity_sg": "original_gravity", "float_id": "float", "additions": "addition"}
    differing = (each.name for each in fields(Batch) if getattr(before, each.name) != getattr(after, each.name))
    return tuple(names.get(name, name) for name in differing)
