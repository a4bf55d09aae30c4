"""Flood: how much one sender may send that cannot be used, before it fills the database. Pure.

State is passed in and out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

MOST_SENDERS = 1000  # remembered; whoever was not heard for longest is forgotten, which only refills its allowance


@dataclass(frozen=True, slots=True, kw_only=True)
class FloodLimits:
    """A bucket for each sender: it holds `burst` packets and refills at `rate_per_s`."""

    burst: int = 5000
    # What a float that nobody added yet may send after it was out of reach: 45 days at 15 minutes are 4,320 readings
    # (arithmetic).
    rate_per_s: float = 100.0
    # A hundred times what the most talkative float needs, and a small part of what the collector can store.


DEFAULT_FLOOD = FloodLimits()


class Allowance(NamedTuple):
    """What one sender has left at one time."""

    left: float
    time: datetime


def spend(limits: FloodLimits, allowances: dict[str, Allowance], sender: str, time: datetime) -> tuple[Allowance, bool]:
    """One packet of `sender` at `time`: what it has left, and whether the packet may pass.

    Source: token bucket, e.g. RFC 2697 (1999), section 3, with one rate. A clock set back refills nothing.
    """
    before = allowances.get(sender)
    if before is None:
        return Allowance(limits.burst - 1.0, time), True
    elapsed_s = max(0.0, (time - before.time).total_seconds())
    left = min(float(limits.burst), before.left + elapsed_s * limits.rate_per_s)
    if left < 1.0:
        return Allowance(left, time), False
    return Allowance(left - 1.0, time), True


def remembered(allowances: Mapping[str, Allowance]) -> dict[str, Allowance]:
    """`allowances` with no more than `MOST_SENDERS`, the latest heard."""
    if len(allowances) <= MOST_SENDERS:
        return dict(allowances)
    return dict(sorted(allowances.items(), key=lambda item: item[1].time)[-MOST_SENDERS:])
