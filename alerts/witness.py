"""Has anybody seen the beer come down: the float, or hand samples? An estimator explains even a float that is dead.

A float that always says one angle looks like a beer that fell before it was watched and then came to rest. So the fall
is counted on what the float itself shows, by the curve alone, and no faster than a beer can fall: what a float loses in
one leap, when it sinks, sticks or breaks, is no fermentation.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from alerts.alert import Kind
from alerts.conditions import Observation, Opened, hours_between
from alerts.thresholds import AlertSettings, Finished
from fermentation.estimate import Estimate
from gylewatch.copying import replace
from gylewatch.values import Batch

_FASTEST_POINTS_PER_HOUR = 4.0
# The wildest yeasts, kept hot, take 50 points in a day (common practice, no source). It bounds the rises as well, so
# that a float that is taken out and put back has shown neither.


@dataclass(frozen=True, kw_only=True)
class Witness:
    """What the float has shown of the fall, and since when hand samples agree."""

    time: datetime | None = None
    shown_sg: float = 0.0  # by the float, at `time`
    seen_points: float = 0.0  # that it has fallen on the float since the first estimate
    agree_since: datetime | None = None  # first of the hand samples that agree, up to the newest
    agree_sg: float = 0.0  # what that first one said
    sampled: datetime | None = None  # the newest


def follow_witness(
    settings: AlertSettings, witness: Witness, seen: Observation, shows_sg: float, shown_at: datetime
) -> Witness:
    """Take in what an estimate came from: the hand sample, or what the float shows and of when that is."""
    if seen.sample_sg is not None:
        return _follow_samples(settings.fermentation_finished, witness, seen.time, seen.sample_sg)
    if witness.time is None:
        return replace(witness, time=shown_at, shown_sg=shows_sg)
    passed_h = hours_between(witness.time, shown_at)
    if passed_h < 1:  # every hour: the scatter of readings close together would pass the bound again and again
        return witness
    most = _FASTEST_POINTS_PER_HOUR * passed_h
    fallen = min(most, max(-most, (witness.shown_sg - shows_sg) * 1000))
    return replace(witness, time=shown_at, shown_sg=shows_sg, seen_points=witness.seen_points + fallen)


def _follow_samples(rule: Finished, witness: Witness, time: datetime, sample_sg: float) -> Witness:
    if witness.sampled is not None and time < witness.sampled:
        return witness
    if witness.agree_since is not None and abs(witness.agree_sg - sample_sg) * 1000 <= rule.samples_differ_points:
        return replace(witness, sampled=time)
    return replace(witness, agree_since=time, agree_sg=sample_sg, sampled=time)


def unseen(settings: AlertSettings, batch: Batch, witness: Witness, estimate: Estimate, opened: Opened) -> str | None:
    """Why nobody can say that the beer has come down to where it is believed to rest; None where somebody can."""
    rule = settings.fermentation_finished
    if _samples_confirm(rule, batch, witness, estimate):
        return None
    fell = (estimate.original_gravity_sg - estimate.gravity_sg) * 1000
    seen = max(witness.seen_points, 0.0)
    # One that stuck on the way down shows no rest; one that came down with the beer may lie still with it.
    sticks = Kind.FLOAT_STUCK in opened
    to_range = batch.expected_attenuation[0] * (estimate.original_gravity_sg - 1) * 1000
    if Kind.GRAVITY_IMPLAUSIBLE in opened:
        why = f"float {batch.float_id} shows what this beer cannot have"
    elif seen < (to_range if sticks else rule.seen_share * fell):
        why = (
            f"float {batch.float_id}{' sticks, and' if sticks else ''} has itself shown {seen:.0f} of {fell:.0f} points"
        )
    else:
        return None
    return f"{why}. Two hand samples that agree, {rule.samples_apart_h:.0f} hours apart or more, settle it"


def _samples_confirm(rule: Finished, batch: Batch, witness: Witness, estimate: Estimate) -> bool:
    """Whether hand samples say by themselves that the beer stands, and where it is believed to."""
    since, newest = witness.agree_since, witness.sampled
    if since is None or newest is None or hours_between(since, newest) < rule.samples_apart_h:
        return False
    added = any(since < addition.time <= estimate.time for addition in batch.additions)
    return not added and abs(witness.agree_sg - estimate.gravity_sg) * 1000 <= rule.falls_again_points
