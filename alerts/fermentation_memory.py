"""What the verdicts on a fermentation need to know of the past, followed from estimate to estimate."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from alerts.alert import Evidence, Kind
from alerts.conditions import NO_STREAK, Opened, Streak, follow_streak, hours_between
from alerts.thresholds import AlertSettings
from alerts.witness import Witness
from fermentation.estimate import Estimate, Phase
from gylewatch.copying import replace
from gylewatch.values import Batch

_FALLEN_POINTS = 8.0
# Points below the original gravity, at the upper end of the interval, that prove a start which was not watched
# (service begun in mid-batch): beyond any usual error of a curve.


@dataclass(frozen=True, kw_only=True)
class FermentationMemory:
    """What the verdicts need to know of the past."""

    first: datetime | None = None  # first estimate
    time: datetime | None = None  # newest estimate
    warmest_c: float | None = None  # highest temperature in about the last day, fading
    starting: Streak = NO_STREAK
    started: datetime | None = None  # latched: a batch starts once
    peak_points_per_day: float = 0.0
    still: Streak = NO_STREAK
    still_gravity_sg: float = 0.0  # where the stillness began
    attenuated: Streak = NO_STREAK
    perhaps_attenuated: Streak = NO_STREAK
    short: Streak = NO_STREAK  # still, and well above the expected gravity
    creeping: Streak = NO_STREAK  # nearly still, and well above
    moving: Streak = NO_STREAK
    falling_again: Streak = NO_STREAK
    finish_gravity_sg: float | None = None  # while "finished" is open: the gravity it was raised at
    stall_gravity_sg: float | None = None  # while "stalled" is open: the highest gravity believed since
    going_on: Streak = NO_STREAK  # surely lower than there, and no longer nearly stopped
    witness: Witness = field(default_factory=Witness)


def follow_fermentation(
    settings: AlertSettings, batch: Batch, memory: FermentationMemory, estimate: Estimate, opened: Opened
) -> FermentationMemory:
    """Take one estimate, not older than the newest one, into the memory."""
    finish_sg = stall_sg = None
    if Kind.FERMENTATION_FINISHED in opened:
        finish_sg = memory.finish_gravity_sg or estimate.gravity_sg
    if Kind.FERMENTATION_STALLED in opened:
        # The highest, because a sample or breaking foam may show later that the beer stood higher than was believed.
        stall_sg = max(memory.stall_gravity_sg or estimate.gravity_sg, estimate.gravity_sg)
    memory = replace(memory, finish_gravity_sg=finish_sg, stall_gravity_sg=stall_sg)
    memory = _follow_start(settings, _follow_temperature(memory, estimate), estimate)
    if memory.started is None:
        return memory
    return _follow_stillness(settings, batch, memory, estimate)


def _follow_temperature(memory: FermentationMemory, estimate: Estimate) -> FermentationMemory:
    now, warmest = estimate.time, estimate.temperature_c
    if memory.warmest_c is not None and memory.time is not None:
        # Fades towards the present with a time constant of one day, so a chill stays visible for about that long.
        share = min(1.0, hours_between(memory.time, now) / 24)
        warmest = max(warmest, memory.warmest_c + share * (estimate.temperature_c - memory.warmest_c))
    return replace(
        memory,
        first=memory.first or now,
        time=now,
        warmest_c=warmest,
    )


def _follow_start(settings: AlertSettings, memory: FermentationMemory, estimate: Estimate) -> FermentationMemory:
    if memory.started is not None:
        return memory
    rule = settings.fermentation_started
    fallen = (estimate.original_gravity_sg - estimate.gravity_high_sg) * 1000 >= _FALLEN_POINTS
    holds = estimate.probability_started >= rule.probability or (fallen and estimate.phase is not Phase.LAG)
    starting = follow_streak(memory.starting, estimate.time, holds=holds)
    sure = starting.count >= rule.readings and starting.hours(estimate.time) >= rule.sustained_h
    return replace(memory, starting=starting, started=estimate.time if sure else None)


def _follow_stillness(
    settings: AlertSettings, batch: Batch, memory: FermentationMemory, estimate: Estimate
) -> FermentationMemory:
    now, rate = estimate.time, estimate.rate_points_per_day
    plateau, finished, stalled = (
        settings.attenuation_plateau,
        settings.fermentation_finished,
        settings.fermentation_stalled,
    )
    is_still = estimate.probability_still >= plateau.probability_still
    crept = memory.still.since is not None and (
        (memory.still_gravity_sg - estimate.gravity_sg) * 1000 > plateau.creep_points
    )
    added = addition_since(batch, memory.still.since, now) is not None
    broken = estimate.probability_still < plateau.release_probability
    still = follow_streak(NO_STREAK if crept or added else memory.still, now, holds=is_still, broken=broken)
    began = still.since is not None and (memory.still.since is None or crept or added)
    high = points_to_range(batch, estimate)
    resting = put_to_rest(settings, batch, now)
    enough = estimate.probability_attenuated
    is_short = enough <= stalled.probability_attenuated and high >= stalled.margin_points and not resting
    slowest = min(stalled.nearly_points_per_day, stalled.nearly_share_of_peak * memory.peak_points_per_day)
    is_slow = rate <= slowest and high >= stalled.nearly_days_to_go * max(rate, 0.0)
    is_under_way = estimate.apparent_attenuation >= stalled.nearly_from_share * batch.expected_attenuation[0]
    is_nearly = is_short and is_slow and is_under_way and high >= stalled.margin_points + 1.5
    kept = NO_STREAK if added else memory.creeping
    return replace(
        memory,
        peak_points_per_day=max(memory.peak_points_per_day, rate),
        still=still,
        still_gravity_sg=estimate.gravity_sg if began else memory.still_gravity_sg,
        attenuated=follow_streak(
            memory.attenuated,
            now,
            holds=enough >= finished.probability_attenuated,
            broken=enough < finished.probability_attenuated - 0.1,
        ),
        perhaps_attenuated=follow_streak(
            memory.perhaps_attenuated,
            now,
            holds=enough >= finished.late_probability_attenuated,
            broken=enough < finished.late_probability_attenuated - 0.1,
        ),
        short=follow_streak(
            memory.short,
            now,
            holds=is_short and still.since is not None,
            broken=resting or still.since is None or enough > 2 * stalled.probability_attenuated,
        ),
        creeping=follow_streak(kept, now, holds=is_nearly),
        moving=follow_streak(
            memory.moving,
            now,
            holds=rate >= stalled.moves_points_per_day and not is_still,
            broken=rate < stalled.moves_points_per_day,
        ),
        falling_again=follow_streak(
            memory.falling_again,
            now,
            holds=memory.finish_gravity_sg is not None
            and (memory.finish_gravity_sg - estimate.gravity_sg) * 1000 > finished.falls_again_points
            and not is_still,
        ),
        going_on=follow_streak(
            memory.going_on,
            now,
            # An alert of a beer that still fell slowly holds while it falls as slowly: only what would not be called
            # nearly stopped again goes on.
            holds=not is_nearly
            and estimate.rate_low_points_per_day >= stalled.goes_on_points_per_day
            and _surely_fallen(memory, estimate) >= stalled.goes_on_points,
        ),
    )


def _surely_fallen(memory: FermentationMemory, estimate: Estimate) -> float:
    """Points from where the beer stood down to the upper end of what is believed now; 0 while no stall is open.

    The chance that it has fallen by less is below one in ten: most of what makes the interval wide, as the error of the
    curve, was there when it stood as well.
    """
    stood_sg = memory.stall_gravity_sg
    return 0.0 if stood_sg is None else (stood_sg - estimate.gravity_high_sg) * 1000


def points_to_range(batch: Batch, estimate: Estimate) -> float:
    """Points from the gravity believed down to the upper edge of what the yeast is expected to reach."""
    missing = batch.expected_attenuation[0] - estimate.apparent_attenuation
    return missing * (estimate.original_gravity_sg - 1) * 1000


def put_to_rest(settings: AlertSettings, batch: Batch, now: datetime) -> bool:
    """Whether the plan has cooled the beer on purpose, so that a standstill is no fault."""
    wanted = sum(batch.wanted_temperature_c(now)) / 2
    warmest = sum(batch.temperature_c) / 2
    for step in batch.plan:
        if step.start <= now:
            warmest = max(warmest, sum(step.temperature_c) / 2)
    return wanted <= warmest - settings.fermentation_stalled.cold_step_c


def addition_since(batch: Batch, since: datetime | None, now: datetime) -> str | None:
    """The label of a declared addition after `since` and not after `now`, if there is one."""
    for addition in batch.additions:
        if since is not None and since < addition.time <= now:
            return addition.label or "an addition"
    return None


def evidence_of(estimate: Estimate, **more: float | int | str | bool | None) -> Evidence:
    """The numbers every fermentation verdict rests on, rounded to what they are worth."""
    return {
        "gravity_sg": round(estimate.gravity_sg, 5),
        "gravity_low_sg": round(estimate.gravity_low_sg, 5),
        "gravity_high_sg": round(estimate.gravity_high_sg, 5),
        "rate_points_per_day": round(estimate.rate_points_per_day, 2),
        "apparent_attenuation": round(estimate.apparent_attenuation, 4),
        "temperature_c": round(estimate.temperature_c, 1),
        **more,
    }
