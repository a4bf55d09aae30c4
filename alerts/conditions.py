"""What a rule sees and says, and the small memories that rules share. Values and pure functions only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from alerts.alert import Evidence, Kind, Severity, Subject
from fermentation.estimate import Estimate
from gylewatch.values import Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One thing that happened: a reading, a new estimate, both, or (with neither) the mere passing of time."""

    time: datetime
    reading: Reading | None = None
    estimate: Estimate | None = None
    float_gravity_sg: float | None = None  # what the curve alone says of this reading, before the estimator
    float_gravity_sd_sg: float = 0.0  # how uncertain the curve is there
    sample_sg: float | None = None  # of the hand sample that led to the estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """What a rule concludes. A rule that has nothing to change says nothing (None)."""

    active: bool
    severity: Severity
    summary: str  # one sentence for a brewer: also the reason of the decision
    evidence: Evidence


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenAlert:
    """An alert that was raised and has not ended."""

    kind: Kind
    since: datetime
    severity: Severity
    cause: str = ""

    @property
    def subject(self) -> Subject:
        return Subject(self.kind, self.cause)


Opened = Mapping[Kind, OpenAlert]


VERDICT: Final = "verdict"
"""Evidence of an end because another alert says what has become of it: nobody needs to be told of that end."""


def ended(summary: str, **evidence: float | int | str | bool | None) -> Condition:
    """The condition of an alert that is over."""
    return Condition(active=False, severity=Severity.INFO, summary=summary, evidence=evidence)


@dataclass(frozen=True, slots=True, kw_only=True)
class Streak:
    """Since when something has held without a break, and at how many observations."""

    since: datetime | None = None
    count: int = 0

    def hours(self, now: datetime) -> float:
        """Length until `now`; 0 where nothing holds."""
        return 0.0 if self.since is None else max(0.0, (now - self.since).total_seconds() / 3600)


NO_STREAK = Streak()


def follow_streak(streak: Streak, now: datetime, *, holds: bool, broken: bool | None = None) -> Streak:
    """Continue, start or end a streak.

    `broken` (default: not `holds`) ends it; between the two it neither starts nor ends, which is the hysteresis.
    """
    if broken is None:
        broken = not holds
    if broken:
        return NO_STREAK
    if holds or streak.since is not None:
        return Streak(since=streak.since or now, count=streak.count + 1)
    return streak


def hours_between(earlier: datetime, later: datetime) -> float:
    """Hours from `earlier` to `later`; negative when they are the other way round."""
    return (later - earlier).total_seconds() / 3600


def middle(values: Sequence[float]) -> float:
    """The median of a short sequence; the upper of the two middle values when their number is even."""
    return sorted(values)[len(values) // 2]
