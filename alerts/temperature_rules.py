"""Temperature out of the wanted range, with the grace that a planned change needs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.alert import Evidence, Kind, Severity
from alerts.conditions import (
    NO_STREAK,
    Condition,
    Opened,
    Streak,
    ended,
    follow_streak,
    hours_between,
    middle,
)
from alerts.thresholds import AlertSettings
from gylewatch.copying import replace
from gylewatch.values import Batch, Reading


@dataclass(frozen=True, kw_only=True)
class RangeMemory:
    """What the range rule needs to know of the past."""

    last_c: tuple[float, ...] = ()  # newest raw temperatures, at most three: their median removes single spikes
    now_c: float | None = None  # that median
    step_start: datetime | None = None  # of the plan step in force; the pitching counts as the first
    grace_from: datetime | None = None  # when the time began that the beer gets to reach it
    step_from_c: float | None = None  # temperature when the step began
    arrived: bool = False  # the beer has been inside this step's range
    nearest_c: float | None = None  # how near it has come to that range
    neared: datetime | None = None  # when it last came nearer by as much as counts
    far_out: Streak = NO_STREAK
    out: Streak = NO_STREAK
    inside: Streak = NO_STREAK


def step_start(batch: Batch, now: datetime) -> datetime:
    """When the wanted range in force at `now` began to hold."""
    return max((step.start for step in batch.plan if step.start <= now), default=batch.pitched)


def nears_change(settings: AlertSettings, batch: Batch, now: datetime) -> bool:
    """Whether a planned change is so near that the brewer may already have begun it."""
    early = timedelta(hours=settings.temperature_out_of_range.early_h)
    return any(now < step.start <= now + early for step in batch.plan)


def allowed_range_c(
    settings: AlertSettings, batch: Batch, memory: RangeMemory, now: datetime
) -> tuple[float, float, bool]:
    """The range that is acceptable at `now`, and whether that is wider than the wanted one (a grace).

    During the grace everything between where the beer came from and where it is to go is acceptable.
    """
    rule = settings.temperature_out_of_range
    low, high = batch.wanted_temperature_c(now)
    coming = next((s for s in batch.plan if now < s.start <= now + timedelta(hours=rule.early_h)), None)
    if coming is not None:
        return min(low, coming.temperature_c[0]), max(high, coming.temperature_c[1]), True
    if memory.arrived or memory.grace_from is None or memory.step_from_c is None:
        return low, high, False
    distance_c = max(low - memory.step_from_c, memory.step_from_c - high, 0.0)
    grace_h = rule.grace_h + distance_c / rule.grace_c_per_h
    if hours_between(memory.grace_from, now) > grace_h and not _still_nears(settings, batch, memory, now):
        return low, high, False
    return min(low, memory.step_from_c), max(high, memory.step_from_c), True


def _still_nears(settings: AlertSettings, batch: Batch, memory: RangeMemory, now: datetime) -> bool:
    """Whether the beer keeps coming nearer to the range of a planned step, though slowly.

    After pitching it does not count: the first days in too warm a beer do the most harm.
    """
    rule = settings.temperature_out_of_range
    if memory.neared is None or memory.step_start is None or memory.step_start <= batch.pitched:
        return False
    return hours_between(memory.neared, now) <= rule.nears_h


def _nearer(settings: AlertSettings, memory: RangeMemory, distance_c: float, now: datetime) -> RangeMemory:
    if memory.nearest_c is not None and distance_c > memory.nearest_c - settings.temperature_out_of_range.nears_c:
        return memory
    return replace(memory, nearest_c=distance_c, neared=now)


def follow_range(settings: AlertSettings, batch: Batch, memory: RangeMemory, reading: Reading) -> RangeMemory:
    """Take one reading, newer than all before, into the memory."""
    rule, now = settings.temperature_out_of_range, reading.time
    last = (*memory.last_c, reading.temperature_c)[-3:]
    now_c = middle(last)
    start = step_start(batch, now)
    if memory.step_start != start:
        is_first = memory.step_start is None
        memory = replace(
            memory,
            step_start=start,
            # A float dropped in long after pitching is owed its grace from then on.
            grace_from=now if is_first else start,
            step_from_c=now_c if memory.now_c is None else memory.now_c,
            arrived=False,
            nearest_c=None,
            neared=None,
            far_out=NO_STREAK,
            out=NO_STREAK,
        )
    low, high = batch.wanted_temperature_c(now)
    is_inside = low <= now_c <= high
    if is_inside and not memory.arrived:
        memory = replace(memory, arrived=True)
    memory = _nearer(settings, memory, max(low - now_c, now_c - high, 0.0), now)
    allowed_low, allowed_high, _ = allowed_range_c(settings, batch, memory, now)
    excess = max(allowed_low - now_c, now_c - allowed_high)
    return replace(
        memory,
        last_c=last,
        now_c=now_c,
        far_out=follow_streak(memory.far_out, now, holds=excess > rule.beyond_c),
        out=follow_streak(memory.out, now, holds=excess > rule.slightly_c),
        # On its way it has come nearer by as much as counts: at the edge of what is accepted noise would end an alert.
        inside=follow_streak(memory.inside, now, holds=is_inside or excess <= -rule.nears_c),
    )


def temperature_out_of_range(
    settings: AlertSettings, batch: Batch, memory: RangeMemory, reading: Reading, opened: Opened
) -> Condition | None:
    """The beer has been warmer or colder than wanted for too long to be a passing swing."""
    rule, now = settings.temperature_out_of_range, reading.time
    raised = opened.get(Kind.TEMPERATURE_OUT_OF_RANGE)
    long_far = memory.far_out.count >= 2 and memory.far_out.hours(now) >= rule.sustained_h
    long_out = memory.out.count >= 2 and memory.out.hours(now) >= rule.slightly_sustained_h
    if memory.now_c is None or (raised is None and not (long_far or long_out)):
        return None
    low, high = batch.wanted_temperature_c(now)
    allowed_low, allowed_high, in_grace = allowed_range_c(settings, batch, memory, now)
    excess = max(allowed_low - memory.now_c, memory.now_c - allowed_high)
    evidence: Evidence = {
        "temperature_c": round(memory.now_c, 2),
        "wanted_low_c": low,
        "wanted_high_c": high,
        "beyond_c": round(max(excess, 0.0), 2),
        "sustained_h": round(memory.out.hours(now), 2),
        "planned_change": in_grace,
    }
    if raised is not None and memory.inside.since is not None and memory.inside.hours(now) >= rule.inside_h:
        if low <= memory.now_c <= high:
            return ended(f"The beer is back at {memory.now_c:.1f} °C, inside {low:g} to {high:g} °C.", **evidence)
        return ended(f"A planned change is under way, and {memory.now_c:.1f} °C is on its way.", **evidence)
    severity = Severity.CRITICAL if long_far and excess > rule.critical_c else Severity.WARNING
    worse = raised is not None and raised.severity is not Severity.CRITICAL and severity is Severity.CRITICAL
    if not (long_far or long_out) or (raised is not None and not worse):
        return None
    held_h = (memory.out if not long_far else memory.far_out).hours(now)
    side = "above" if memory.now_c > allowed_high else "below"
    bounds = f"the wanted {low:g} to {high:g} °C"
    if in_grace:
        bounds = f"the {allowed_low:.1f} to {allowed_high:.1f} °C that are accepted on its way to {bounds}"
    return Condition(
        active=True,
        severity=severity,
        summary=f"The beer is at {memory.now_c:.1f} °C, {excess:.1f} °C {side} {bounds}, for {held_h:.1f} hours.",
        evidence={**evidence, "sustained_h": round(held_h, 2)},
    )
