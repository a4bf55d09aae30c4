"""Started, plateau, finished, stalled: verdicts from the estimator's posterior, never from one reading."""

from __future__ import annotations

from datetime import timedelta

from alerts.alert import Kind, Severity
from alerts.conditions import VERDICT, Condition, OpenAlert, Opened, ended, hours_between
from alerts.fermentation_memory import FermentationMemory, addition_since, evidence_of, points_to_range, put_to_rest
from alerts.thresholds import AlertSettings
from alerts.witness import unseen
from fermentation.estimate import Estimate
from fermentation.kinetics import arrhenius
from gylewatch.values import Batch


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
        summary=f"The gravity has begun to fall about {max(lag_h, 0):.0f} hours after pitching, at first by "
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
    doubt = unseen(settings, batch, memory.witness, estimate, opened)
    return Condition(
        active=True,
        severity=Severity.INFO,
        summary=f"Steady at {estimate.gravity_sg:.4f} for {held_h:.0f} hours, {estimate.apparent_attenuation:.0%} "
        f"apparent attenuation: with {_percent(estimate.probability_attenuated)} probability where this yeast is "
        f"expected to end. There is no verdict yet{f': {doubt}' if doubt else ''}.",
        evidence=evidence_of(
            estimate,
            probability_still=round(estimate.probability_still, 3),
            probability_attenuated=round(estimate.probability_attenuated, 3),
            sustained_h=round(held_h, 1),
        ),
    )


def _percent(probability: float) -> str:
    """No estimator is as sure as 0 or 100 %."""
    return "less than 1%" if probability < 0.01 else "more than 99%" if probability > 0.99 else f"{probability:.0%}"


def fermentation_finished(
    settings: AlertSettings, batch: Batch, memory: FermentationMemory, estimate: Estimate, opened: Opened
) -> Condition | None:
    """The gravity has stopped falling, where this yeast is expected to stop, and somebody has seen it fall."""
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
    if unfinished(settings, batch, memory, estimate, opened) is not None:
        return None
    return Condition(
        active=True,
        severity=Severity.INFO,
        summary=f"The beer has come to rest at {estimate.gravity_sg:.4f}, {estimate.apparent_attenuation:.0%} apparent "
        f"attenuation, {_as_expected(batch, estimate)}: steady for {memory.still.hours(now):.0f} hours.",
        evidence=evidence_of(
            estimate,
            probability_still=round(estimate.probability_still, 3),
            probability_attenuated=round(estimate.probability_attenuated, 3),
            expected_attenuation_low=batch.expected_attenuation[0],
            expected_attenuation_high=batch.expected_attenuation[1],
            sustained_h=round(memory.still.hours(now), 1),
            left_points=round(_points_left(estimate), 1),
            abv_percent=round(estimate.abv_percent, 2),
            abv_low_percent=None if estimate.abv_low_percent is None else round(estimate.abv_low_percent, 2),
            abv_high_percent=None if estimate.abv_high_percent is None else round(estimate.abv_high_percent, 2),
        ),
    )


def unfinished(
    settings: AlertSettings, batch: Batch, memory: FermentationMemory, estimate: Estimate, opened: Opened
) -> str | None:
    """What is still missing before "finished" is told, as the end of a sentence; None where nothing is."""
    rule, now = settings.fermentation_finished, estimate.time
    held_h, left = memory.still.hours(now), _points_left(estimate)
    if memory.still.since is None:
        return "it is not yet sure that the gravity has come to rest"
    if estimate.rate_points_per_day > rule.rate_points_per_day:
        return f"the gravity may still fall by {estimate.rate_points_per_day:.1f} points a day"
    if left > rule.left_points and held_h < rule.left_h:
        return f"the forecast leaves {left:.1f} points to go"
    soon_h = max(rule.sustained_h - held_h, rule.sustained_h / 2 - memory.attenuated.hours(now))
    late_h = max(rule.late_sustained_h - held_h, rule.late_sustained_h / 2 - memory.perhaps_attenuated.hours(now))
    if soon_h <= 0 or late_h <= 0:
        return unseen(settings, batch, memory.witness, estimate, opened)
    waits_h = [
        wait_h
        for wait_h, streak in ((soon_h, memory.attenuated), (late_h, memory.perhaps_attenuated))
        if streak.since is not None
    ]
    if not waits_h:
        return (
            f"with only {_percent(estimate.probability_attenuated)} probability this is where the yeast was expected "
            "to end"
        )
    return f"it has been steady for {held_h:.0f} hours, and is watched for {max(min(waits_h), 1):.0f} more"


def _points_left(estimate: Estimate) -> float:
    """Points from the gravity believed down to where the forecast ends; 0 where there is none."""
    forecast = estimate.forecast
    return 0.0 if forecast is None else (estimate.gravity_sg - forecast.final_gravity_sg) * 1000


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
    because = f", after it cooled by {chill:.1f} °C" if chilled else ""
    sticks = Kind.FLOAT_STUCK in opened
    doubt = f" Float {batch.float_id} seems to stick, and then shows no fall: look at it first." if sticks else ""
    verb = "stands" if stopped else "hardly moves"
    held_h = memory.short.hours(now) if stopped else memory.creeping.hours(now)
    return Condition(
        active=True,
        severity=Severity.WARNING,
        summary=f"The beer {verb} at {estimate.gravity_sg:.4f}, {high:.0f} points above where this yeast is expected "
        f"to end{because}.{doubt}",
        evidence=evidence_of(
            estimate,
            probability_still=round(estimate.probability_still, 3),
            probability_attenuated=round(estimate.probability_attenuated, 3),
            points_above_expected=round(high, 1),
            expected_attenuation_low=batch.expected_attenuation[0],
            peak_rate_points_per_day=round(memory.peak_points_per_day, 1),
            sustained_h=round(held_h, 1),
            cooled_by_c=round(chill, 1) if chilled else None,
            float_sticks=sticks,
            never_started=False,
        ),
    )


def _stall_over(
    settings: AlertSettings, batch: Batch, memory: FermentationMemory, estimate: Estimate, raised: OpenAlert
) -> Condition | None:
    rule, now = settings.fermentation_stalled, estimate.time
    if memory.started is not None and memory.started > raised.since:
        waited_h = hours_between(batch.pitched, memory.started)
        return ended(
            f"It has started after all, {waited_h:.0f} hours after pitching: the gravity falls by "
            f"{estimate.rate_points_per_day:.1f} points a day.",
            **evidence_of(estimate, never_started=True),
        )
    if memory.moving.since is not None and memory.moving.hours(now) >= rule.moves_h:
        return ended(
            f"Fermentation moves again, by {estimate.rate_points_per_day:.1f} points a day.",
            **evidence_of(estimate, sustained_h=round(memory.moving.hours(now), 1)),
        )
    if memory.going_on.since is not None and memory.going_on.hours(now) >= rule.moves_h:
        fallen = ((memory.stall_gravity_sg or estimate.gravity_sg) - estimate.gravity_sg) * 1000
        return ended(
            f"Fermentation goes on: the gravity has fallen by {fallen:.1f} points since, and falls by "
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


_LAG_FOR_C, _LONGEST_LAG = 18.0, 1.7
# The temperature that the wait for a start is meant for. Colder, it is as much longer as the yeast is slower, and five
# days at most.


def _lag_patience(temperature_c: float) -> float:
    """How many times as long as at `_LAG_FOR_C` a start may be waited for."""
    return min(max(arrhenius(_LAG_FOR_C, temperature_c), 1.0), _LONGEST_LAG)


def _never_started(
    settings: AlertSettings, batch: Batch, memory: FermentationMemory, estimate: Estimate
) -> Condition | None:
    watched_since = max(batch.pitched, (memory.first or estimate.time) - timedelta(hours=1))
    waited_h = hours_between(watched_since, estimate.time)
    patience_h = settings.fermentation_stalled.never_started_h * _lag_patience(estimate.temperature_c)
    if waited_h < patience_h or memory.starting.since is not None:
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
