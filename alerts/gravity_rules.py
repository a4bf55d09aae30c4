"""Is the gravity to be believed? The curve against samples and the original gravity; the beer against physics."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from alerts.alert import Evidence, Kind, Severity
from alerts.conditions import (
    NO_STREAK,
    Condition,
    Observation,
    Opened,
    Streak,
    ended,
    follow_streak,
    hours_between,
    middle,
)
from alerts.thresholds import AlertSettings
from fermentation.estimate import Estimate, Phase
from gylewatch.copying import replace
from gylewatch.counting import above_or_below
from gylewatch.values import Batch

_NEWEST = 5  # gravities of which the median is taken: two wild packets in a row do not move it
_SURELY_LAG_H = 6.0
# A float that reads low in the wort looks like a fermentation. But no yeast takes away `lag_points` in the first two
# hours, and this long a misfit of `lag_h` that began in them can be told.
_RELEASE = 0.8  # of a limit, below which it no longer counts as passed: scatter must not end and raise an alert in turn


@dataclass(frozen=True, kw_only=True)
class GravityMemory:
    newest_sg: tuple[float, ...] = ()  # by the curve alone, at most `_NEWEST`
    newest_at: tuple[datetime, ...] = ()  # when each was measured
    reads_sg: float | None = None  # what the float shows now: their median
    sd_points: float = 0.0  # how uncertain the curve is there
    off_in_lag_points: float | None = None  # from the measured original gravity, while that can be compared
    misfit: Streak = NO_STREAK
    lag_misfit: Streak = NO_STREAK
    above: Streak = NO_STREAK
    below: Streak = NO_STREAK


def off_in_lag_points(batch: Batch, estimate: Estimate, reads_sg: float) -> float | None:
    """How far the float reads from the measured original gravity before the start; None where that says nothing."""
    if batch.original_gravity_sg is None:
        return None
    has_begun = estimate.phase is not Phase.LAG or estimate.probability_started > 0.3
    if has_begun and hours_between(batch.pitched, estimate.time) > _SURELY_LAG_H:
        return None
    return (reads_sg - batch.original_gravity_sg) * 1000


def float_reads_sg(estimate: Estimate, newest_sg: tuple[float, ...]) -> float:
    """What the float shows: by the curve where that is known, else what is believed with the float's believed bias."""
    return middle(newest_sg) if newest_sg else estimate.gravity_sg + estimate.bias_points / 1000


def float_read_at(estimate: Estimate, newest_at: tuple[datetime, ...]) -> datetime:
    """Of when `shown_sg` is: after days of silence the median still says for two readings what was before."""
    return newest_at[len(newest_at) // 2] if newest_at else estimate.time


def beyond_physics(
    settings: AlertSettings, batch: Batch, estimate: Estimate, memory: GravityMemory, *, share: float = 1.0
) -> tuple[bool, bool]:
    """Whether the gravity is above what went in, or below what is left when all extract has been fermented.

    `share` of the limits is asked for.
    """
    rule, reads_sg = settings.gravity_implausible, shown_sg(memory, estimate)
    # A curve that is as uncertain as that cannot accuse the float.
    above_points = share * max(rule.above_points, settings.calibration_suspect.misfit_sigma * memory.sd_points)
    believed_points = share * rule.believed_above_points
    original = batch.original_gravity_sg or estimate.original_gravity_sg
    added = [addition for addition in batch.additions if addition.time <= estimate.time]
    unknown = any(addition.gravity_points is None for addition in added)
    highest = original + sum(addition.gravity_points or 0.0 for addition in added) / 1000
    above = (reads_sg - highest) * 1000 > above_points or (estimate.gravity_low_sg - highest) * 1000 > believed_points
    lowest = highest - rule.attenuation_limit * (highest - 1)
    below = (lowest - reads_sg) * 1000 > above_points or estimate.gravity_high_sg < lowest
    return above and not unknown, below


def follow_gravity(
    settings: AlertSettings, batch: Batch, memory: GravityMemory, estimate: Estimate, seen: Observation
) -> GravityMemory:
    """Take one estimate, not older than the newest one, into the memory."""
    now, suspect = estimate.time, settings.calibration_suspect
    if seen.float_gravity_sg is not None:
        memory = replace(
            memory,
            newest_sg=(*memory.newest_sg, seen.float_gravity_sg)[-_NEWEST:],
            newest_at=(*memory.newest_at, seen.time)[-_NEWEST:],
            sd_points=seen.float_gravity_sd_sg * 1000,
        )
    reads = float_reads_sg(estimate, memory.newest_sg)
    off = off_in_lag_points(batch, estimate, reads)
    off_limit = max(suspect.lag_points, suspect.misfit_sigma * memory.sd_points)
    memory = replace(memory, reads_sg=reads, off_in_lag_points=off)
    above, below = beyond_physics(settings, batch, estimate, memory)
    still_above, still_below = beyond_physics(settings, batch, estimate, memory, share=_RELEASE)
    return replace(
        memory,
        misfit=follow_streak(
            memory.misfit,
            now,
            holds=estimate.misfit_sigma >= suspect.misfit_sigma,
            broken=estimate.misfit_sigma < suspect.release_sigma,
        ),
        lag_misfit=follow_streak(
            memory.lag_misfit,
            now,
            holds=off is not None and abs(off) > off_limit,
            broken=off is None or abs(off) < _RELEASE * off_limit,
        ),
        above=follow_streak(memory.above, now, holds=above, broken=not still_above),
        below=follow_streak(memory.below, now, holds=below, broken=not still_below),
    )


def calibration_suspect(
    settings: AlertSettings,
    batch: Batch,
    memory: GravityMemory,
    estimate: Estimate,
    opened: Opened,
) -> Condition | None:
    """Hand samples, or the original gravity, contradict the curve by more than its uncertainty explains."""
    rule, now = settings.calibration_suspect, estimate.time
    off = memory.off_in_lag_points
    evidence: Evidence = {
        "misfit_sigma": round(estimate.misfit_sigma, 2),
        "off_in_lag_points": None if off is None else round(off, 1),
        "float_reads_sg": round(shown_sg(memory, estimate), 5),
        "bias_points": round(estimate.bias_points, 1),
        "gravity_sg": round(estimate.gravity_sg, 5),
    }
    by_samples = memory.misfit.since is not None and memory.misfit.hours(now) >= rule.sustained_h
    by_original = memory.lag_misfit.count >= 3 and memory.lag_misfit.hours(now) >= rule.lag_h
    if Kind.CALIBRATION_SUSPECT in opened:
        agrees_in_lag = off is not None and abs(off) < rule.lag_points / 2
        # Once the beer works, the lag says nothing more; only samples can then clear the curve.
        if (
            memory.misfit.since is None
            and memory.lag_misfit.since is None
            and (agrees_in_lag or _samples_agree(estimate))
        ):
            return ended("The curve agrees with what was measured by hand again.", **evidence)
        return None
    if not (by_samples or by_original):
        return None
    if by_samples:
        why = (
            f"Hand samples contradict float {batch.float_id} by more than its calibration explains: it shows "
            f"{shown_sg(memory, estimate):.4f}, and with the samples {estimate.gravity_sg:.4f} is believed."
        )
    else:
        where = above_or_below(off or 0.0, decimals=0)
        why = f"Before the start float {batch.float_id} read {where} the measured original gravity."
    return Condition(
        active=True,
        severity=Severity.WARNING,
        summary=why,
        evidence=evidence,
    )


def shown_sg(memory: GravityMemory, estimate: Estimate) -> float:
    """What the float shows now; before it has been followed, what is believed."""
    return estimate.gravity_sg if memory.reads_sg is None else memory.reads_sg


def _samples_agree(estimate: Estimate) -> bool:
    return 0.0 < estimate.misfit_sigma < 1.5  # exactly 0 means that no sample has been taken


def gravity_implausible(
    settings: AlertSettings,
    batch: Batch,
    memory: GravityMemory,
    estimate: Estimate,
    opened: Opened,
) -> Condition | None:
    """The gravity shown is one that this beer cannot have."""
    rule, now = settings.gravity_implausible, estimate.time
    above = memory.above.count >= 3 and memory.above.hours(now) >= rule.sustained_h
    below = memory.below.count >= 3 and memory.below.hours(now) >= rule.sustained_h
    reads = shown_sg(memory, estimate)
    original = batch.original_gravity_sg or estimate.original_gravity_sg
    evidence: Evidence = {
        "float_reads_sg": round(reads, 5),
        "gravity_sg": round(estimate.gravity_sg, 5),
        "original_gravity_sg": round(original, 5),
        "attenuation_limit": rule.attenuation_limit,
        "sustained_h": round(max(memory.above.hours(now), memory.below.hours(now)), 1),
    }
    if Kind.GRAVITY_IMPLAUSIBLE in opened:
        if memory.above.since is None and memory.below.since is None:
            return ended(
                f"Float {batch.float_id} shows {reads:.4f}, which this beer can have again.",
                **evidence,
            )
        return None
    if not (above or below):
        return None
    side = "above what went into the fermenter" if above else "below what is left when all extract has been fermented"
    return Condition(
        active=True,
        severity=Severity.WARNING,
        summary=f"Float {batch.float_id} shows {reads:.4f}, which this beer cannot have: it is {side}.",
        evidence=evidence,
    )
