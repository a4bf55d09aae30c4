"""Started, plateau, finished, stalled: verdicts from the estimator's posterior, never from one reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from alerts.alert import Evidence, Kind, Severity
from alerts.conditions import NO_STREAK, Condition, OpenAlert, Streak, ended, follow_streak, hours_between
from alerts.thresholds import AlertSettings
from fermentation.estimate import Estimate, Phase
from gylewatch.values import Batch

Opened = Mapping[Kind, OpenAlert]

_FALLEN_POINTS = 8.0
# Points below the original gravity, at the upper end of the interval, that prove a start which was not watched
# (service begun in mid-batch): beyond any usual error of a curve.


VERDICT: Final = "verdict"
"""Evidence of a plateau that ended because another alert says what it was: nobody needs to be told of its end."""


@dataclass(frozen=True, slots=True, kw_only=True)
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
    is_slow = rate <= stalled.nearly_points_per_day and high >= stalled.nearly_days_to_go * max(rate, 0.0)
    is_nearly = is_short and is_slow and high >= stalled.margin_points + 1.5
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


def fermentation_started(
    settings: AlertSettings, batch: Batch, memory: FermentationMemory, estimate: Estimate, opened: Opened
) -> Condition | None:
    """The gravity falls, and has done so for long enough to be no accident."""
    if Kind.FERMENTATION_STARTED in opened:
        if Kind.FERMENTATION_FINISHED not in opened:
            return None
        has_verdict = evidence_of(estimate, **{VERDICT: Kind.FERMENTATION_FINISHED.value})
        return ended("The fermentation has run its course.", **has_verdict)
    if memory.started is None or memory.started != estimate.time:
        return None
    lag_h = hours_between(batch.pitched, memory.starting.since or estimate.time)
    return Condition(
        active=True,
        severity=Severity.INFO,
        summary=f"The gravity has begun to fall about {max(lag_h, 0):.0f} hours after pitching, now by "
        f"{estimate.rate_points_per_day:.1f} points a day.",
        evidence=evidence_of(
            estimate,
            probability_started=round(estimate.probability_started, 3),
            sustained_h=round(memory.starting.hours(estimate.time), 2),
            hours_after_pitching=round(lag_h, 1),
        ),
    )


def attenuation_plateau(
    settings: AlertSettings, batch: Batch, memory: FermentationMemory, estimate: Estimate, opened: Opened
) -> Condition | None:
    """The gravity has stopped falling, and it is not yet clear whether that is the end."""
    is_open = Kind.ATTENUATION_PLATEAU in opened
    verdict = next((k for k in (Kind.FERMENTATION_FINISHED, Kind.FERMENTATION_STALLED) if k in opened), None)
    if is_open:
        if verdict is not None:
            word = "finished" if verdict is Kind.FERMENTATION_FINISHED else "stalled"
            has_verdict = evidence_of(estimate, **{VERDICT: verdict.value})
            return ended(f"The plateau has its verdict: {word}.", **has_verdict)
        if memory.still.since is None:
            return ended(
                f"The gravity moves again, by {estimate.rate_points_per_day:.1f} points a day: no plateau any more.",
                **evidence_of(estimate, probability_still=round(estimate.probability_still, 3)),
            )
        return None
    held_h = memory.still.hours(estimate.time)
    if verdict is not None or held_h < settings.attenuation_plateau.sustained_h:
        return None
    return Condition(
        active=True,
        severity=Severity.INFO,
        summary=f"Steady at {estimate.gravity_sg:.4f} for {held_h:.0f} hours; whether the beer has finished is not "
        "clear yet.",
        evidence=evidence_of(
            estimate,
            probability_still=round(estimate.probability_still, 3),
            probability_attenuated=round(estimate.probability_attenuated, 3),
            sustained_h=round(held_h, 1),
        ),
    )


def fermentation_finished(
    settings: AlertSettings, batch: Batch, memory: FermentationMemory, estimate: Estimate, opened: Opened
) -> Condition | None:
    """The gravity has stopped falling, where this yeast is expected to stop."""
    rule, now = settings.fermentation_finished, estimate.time
    raised = opened.get(Kind.FERMENTATION_FINISHED)
    if raised is not None:
        added = addition_since(batch, raised.since, now)
        if added is not None:
            return ended(f"The beer is no longer finished: {added} was added.", **evidence_of(estimate))
        if memory.falling_again.since is not None and memory.falling_again.hours(now) >= rule.falls_again_h:
            fallen = ((memory.finish_gravity_sg or estimate.gravity_sg) - estimate.gravity_sg) * 1000
            return ended(
                f"The beer has not finished after all: the gravity has fallen by {fallen:.1f} points since.",
                **evidence_of(estimate, fallen_points=round(fallen, 1)),
            )
        return None
    held_h = memory.still.hours(now)
    soon = held_h >= rule.sustained_h and memory.attenuated.hours(now) >= rule.sustained_h / 2
    late = held_h >= rule.late_sustained_h and memory.perhaps_attenuated.hours(now) >= rule.late_sustained_h / 2
    if memory.still.since is None or not (soon or late):
        return None
    return Condition(
        active=True,
        severity=Severity.INFO,
        summary=f"The beer has come to rest at {estimate.gravity_sg:.4f}, {estimate.apparent_attenuation:.0%} apparent "
        f"attenuation, {_as_expected(batch, estimate)}: steady for {held_h:.0f} hours.",
        evidence=evidence_of(
            estimate,
            probability_still=round(estimate.probability_still, 3),
            probability_attenuated=round(estimate.probability_attenuated, 3),
            expected_attenuation_low=batch.expected_attenuation[0],
            expected_attenuation_high=batch.expected_attenuation[1],
            sustained_h=round(held_h, 1),
            abv_percent=round(estimate.abv_percent, 2),
        ),
    )


def _as_expected(batch: Batch, estimate: Estimate) -> str:
    least, most = batch.expected_attenuation
    if estimate.apparent_attenuation < least:
        return "close to what is expected of this yeast"
    return "as expected of this yeast" if estimate.apparent_attenuation <= most else "more than expected of this yeast"


def fermentation_stalled(
    settings: AlertSettings, batch: Batch, memory: FermentationMemory, estimate: Estimate, opened: Opened
) -> Condition | None:
    """It has stopped, or nearly, well above the gravity expected; or it has never begun."""
    rule, now = settings.fermentation_stalled, estimate.time
    if Kind.FERMENTATION_STALLED in opened:
        return _stall_over(settings, batch, memory, estimate, opened[Kind.FERMENTATION_STALLED])
    if memory.started is None:
        return _never_started(settings, batch, memory, estimate)
    stopped = memory.short.hours(now) >= rule.sustained_h
    nearly = memory.creeping.hours(now) >= rule.nearly_sustained_h
    if Kind.FERMENTATION_FINISHED in opened or put_to_rest(settings, batch, now) or not (stopped or nearly):
        return None
    high = points_to_range(batch, estimate)
    chill = (memory.warmest_c or estimate.temperature_c) - estimate.temperature_c
    chilled = chill >= rule.chill_c
    because = f", after it cooled by {chill:.1f} C" if chilled else ""
    verb = "stands" if stopped else "hardly moves"
    held_h = memory.short.hours(now) if stopped else memory.creeping.hours(now)
    return Condition(
        active=True,
        severity=Severity.WARNING,
        summary=f"The beer {verb} at {estimate.gravity_sg:.4f}, {high:.0f} points above where this yeast is expected "
        f"to end{because}.",
        evidence=evidence_of(
            estimate,
            probability_still=round(estimate.probability_still, 3),
            probability_attenuated=round(estimate.probability_attenuated, 3),
            points_above_expected=round(high, 1),
            expected_attenuation_low=batch.expected_attenuation[0],
            peak_rate_points_per_day=round(memory.peak_points_per_day, 1),
            sustained_h=round(held_h, 1),
            cooled_by_c=round(chill, 1) if chilled else None,
            never_started=False,
        ),
    )


def _stall_over(
    settings: AlertSettings, batch: Batch, memory: FermentationMemory, estimate: Estimate, raised: OpenAlert
) -> Condition | None:
    rule, now = settings.fermentation_stalled, estimate.time
    if memory.started is not None and memory.started > raised.since:
        return ended("Fermentation has started after all.", **evidence_of(estimate))
    if memory.moving.since is not None and memory.moving.hours(now) >= rule.moves_h:
        return ended(
            f"Fermentation moves again, by {estimate.rate_points_per_day:.1f} points a day.",
            **evidence_of(estimate, sustained_h=round(memory.moving.hours(now), 1)),
        )
    if memory.going_on.since is not None and memory.going_on.hours(now) >= rule.moves_h:
        fallen = ((memory.stall_gravity_sg or estimate.gravity_sg) - estimate.gravity_sg) * 1000
        return ended(
            f"Fermentation goes on: the gravity has fallen by {fallen:.1f} points since, now by "
            f"{estimate.rate_points_per_day:.1f} points a day.",
            **evidence_of(
                estimate,
                fallen_points=round(fallen, 1),
                rate_low_points_per_day=round(estimate.rate_low_points_per_day, 2),
                points_above_expected=round(points_to_range(batch, estimate), 1),
                sustained_h=round(memory.going_on.hours(now), 1),
            ),
        )
    if memory.still.since is not None and memory.attenuated.hours(now) >= rule.moves_h:
        return ended("The beer has reached the attenuation expected of the yeast after all.", **evidence_of(estimate))
    if put_to_rest(settings, batch, now):
        return ended("The beer is cooled as planned; a standstill is no longer watched.", **evidence_of(estimate))
    return None


def _never_started(
    settings: AlertSettings, batch: Batch, memory: FermentationMemory, estimate: Estimate
) -> Condition | None:
    watched_since = max(batch.pitched, (memory.first or estimate.time) - timedelta(hours=1))
    waited_h = hours_between(watched_since, estimate.time)
    if waited_h < settings.fermentation_stalled.never_started_h or memory.starting.since is not None:
        return None
    if estimate.probability_started >= 0.5 or put_to_rest(settings, batch, estimate.time):
        return None
    return Condition(
        active=True,
        severity=Severity.WARNING,
        summary=f"No sign of a start {waited_h:.0f} hours after pitching.",
        evidence=evidence_of(
            estimate,
            probability_started=round(estimate.probability_started, 3),
            waited_h=round(waited_h, 1),
            never_started=True,
        ),
    )
