"""How good a run over a simulated brew was: rows against truth, one score a brew, one summary of many."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from gylewatch.values import Batch
from tests.simulator.beer import abv_percent
from tests.simulator.scenario import Brew, Truth

FloatArray = NDArray[np.float64]

ACTIVE_POINTS_PER_DAY = 1.0
KRAUSEN_POINTS = 1.0
DROP_FRACTIONS = (0.25, 0.5, 0.75)


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """An alert that was raised (`resolves` None) or ended."""

    time_h: float
    kind: str
    resolves: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What an estimator said of `time_h`, in the contract's units; hours count from pitching, NaN is nothing said."""

    time_h: float
    gravity_sg: float
    low: float = np.nan
    high: float = np.nan
    rate: float = np.nan
    abv: float = np.nan
    fg: float = np.nan
    fg_low: float = np.nan
    fg_high: float = np.nan
    finish_h: float = np.nan
    finish_low_h: float = np.nan
    finish_high_h: float = np.nan
    phase: str = ""
    alerts: tuple[Event, ...] = ()


Runner = Callable[[Brew], list[Row]]


class Judged(Protocol):
    """A brew whose truth is known, whoever simulated it."""

    @property
    def seed(self) -> int: ...
    @property
    def label(self) -> str: ...
    @property
    def batch(self) -> Batch: ...
    @property
    def truth(self) -> Truth: ...
    @property
    def strength_sg(self) -> float:
        """The original gravity, sugar that was added later counted as if it had been there."""
        ...

    @property
    def heard_h(self) -> FloatArray:
        """(k,) when the float measured, in hours since pitching, in the order of arrival."""
        ...

    @property
    def interval_h(self) -> float:
        """From reading to reading."""
        ...

    @property
    def drifts(self) -> bool:
        """Whether the temperature went off slowly from `truth.temperature_failure_h` on."""
        ...

    @property
    def battery(self) -> str:
        """`dies`, `falling`, `full` or `unreported`."""
        ...

    def hours(self, time: datetime) -> float:
        """Hours since pitching."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecasts:
    """At 25, 50 and 75 % of the drop, (3,); NaN where there was none, or the brew never finished."""

    final_error_points: FloatArray
    final_covered: FloatArray
    middle_error_points: FloatArray  # of the middle of the yeast's range, for comparison
    finish_error_h: FloatArray
    finish_covered: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class BrewScore:
    """One brew, one row an hour: (n,) errors and the masks of its phases."""

    seed: int
    label: str
    error_points: FloatArray
    width_points: FloatArray
    covered: FloatArray
    rate_error: FloatArray
    active: NDArray[np.bool_]
    in_krausen: NDArray[np.bool_]
    finished: NDArray[np.bool_]
    abv_error: float
    forecasts: Forecasts
    events: tuple[Event, ...]

    @property
    def rmse_points(self) -> float:
        """Root mean square error of the gravity over the whole record."""
        return float(np.sqrt(np.mean(self.error_points**2)))


def hourly(rows: Sequence[Row]) -> list[Row]:
    """The newest row of each hour, so that a brew weighs by its length and not by its reading interval."""
    newest: dict[int, Row] = {}
    for row in rows:
        hour = int(row.time_h)
        if hour not in newest or row.time_h >= newest[hour].time_h:
            newest[hour] = row
    return [newest[hour] for hour in sorted(newest)]


def _column(rows: Sequence[Row], name: str) -> FloatArray:
    return np.array([getattr(row, name) for row in rows], dtype=np.float64)


def _within(value: float, low: float, high: float) -> float:
    """1.0, 0.0, or NaN where there is no interval."""
    return float("nan") if np.isnan(low) or np.isnan(high) else float(low <= value <= high)


def _forecasts(brew: Judged, rows: Sequence[Row]) -> Forecasts:
    truth = brew.truth
    out = np.full((5, len(DROP_FRACTIONS)), np.nan)
    if truth.finished_h is not None:
        middle = 0.5 * sum(brew.batch.expected_attenuation)
        middle_sg = 1.0 + (truth.original_gravity_sg - 1.0) * (1.0 - middle)
        for index, fraction in enumerate(DROP_FRACTIONS):
            at_h = truth.hour_of_drop(fraction)
            known = [row for row in rows if at_h - 12.0 <= row.time_h <= at_h]
            if not known:
                continue
            row = max(known, key=lambda row: row.time_h)
            out[:, index] = (
                (row.fg - truth.final_gravity_sg) * 1000.0,
                _within(truth.final_gravity_sg, row.fg_low, row.fg_high),
                (middle_sg - truth.final_gravity_sg) * 1000.0,
                row.finish_h - truth.finished_h,
                _within(truth.finished_h, row.finish_low_h, row.finish_high_h),
            )
    return Forecasts(
        final_error_points=out[0],
        final_covered=out[1],
        middle_error_points=out[2],
        finish_error_h=out[3],
        finish_covered=out[4],
    )


def score_brew(brew: Judged, rows: Sequence[Row]) -> BrewScore:
    """Compare rows, in any order, with the truth at their own times.

    Raises
    ------
    ValueError
        There are no rows.
    """
    if not rows:
        raise ValueError(f"brew {brew.seed}: no estimate at all")
    truth, thin = brew.truth, hourly(rows)
    at_h = _column(thin, "time_h")
    true_sg, true_rate = truth.at(truth.gravity_sg, at_h), truth.at(truth.rate_points_per_day, at_h)
    low, high = _column(thin, "low"), _column(thin, "high")
    covered = np.where(np.isnan(low), np.nan, (low <= true_sg) & (true_sg <= high))
    last = thin[-1]
    return BrewScore(
        seed=brew.seed,
        label=brew.label,
        error_points=(_column(thin, "gravity_sg") - true_sg) * 1000.0,
        width_points=(high - low) * 1000.0,
        covered=covered,
        rate_error=_column(thin, "rate") - true_rate,
        active=(at_h >= truth.started_h) & (true_rate >= ACTIVE_POINTS_PER_DAY),
        in_krausen=np.abs(truth.at(truth.krausen_points, at_h)) > KRAUSEN_POINTS,
        finished=at_h >= (np.inf if truth.finished_h is None else truth.finished_h),
        abv_error=last.abv - float(abv_percent(brew.strength_sg, true_sg[-1:])[0]),
        forecasts=_forecasts(brew, rows),
        events=tuple(event for row in rows for event in row.alerts),
    )


def evaluate(brews: Iterable[Brew], runner: Runner) -> tuple[BrewScore, ...]:
    """Run an estimator over brews and score each."""
    return tuple(score_brew(brew, runner(brew)) for brew in brews)


def _median_of(values: FloatArray) -> float:
    there = values[~np.isnan(values)]
    return float(np.median(np.abs(there))) if there.size else float("nan")


def _mean_of(values: FloatArray) -> float:
    there = values[~np.isnan(values)]
    return float(np.mean(there)) if there.size else float("nan")


def summarise(scores: Sequence[BrewScore]) -> dict[str, float]:
    """The measures of accuracy by name, in points, points a day, % ABV and hours; hours of all brews are pooled."""

    def pooled(name: str, mask: str | None = None) -> FloatArray:
        parts = [getattr(s, name) if mask is None else getattr(s, name)[getattr(s, mask)] for s in scores]
        return np.concatenate(parts)

    def forecast(name: str) -> FloatArray:
        return np.array([getattr(s.forecasts, name) for s in scores])

    summary = {
        "error, active": _median_of(pooled("error_points", "active")),
        "error, krausen": _median_of(pooled("error_points", "in_krausen")),
        "error, finished": _median_of(pooled("error_points", "finished")),
        "median RMSE": float(np.median([s.rmse_points for s in scores])),
        "coverage": _mean_of(pooled("covered")),
        "width": _mean_of(pooled("width_points")),
        "rate error": _median_of(pooled("rate_error", "active")),
        "ABV error": _median_of(np.array([s.abv_error for s in scores])),
    }
    for index, fraction in enumerate(DROP_FRACTIONS):
        at = f"{fraction:.0%}"
        summary[f"FG {at}"] = _median_of(forecast("final_error_points")[:, index])
        summary[f"FG {at} range middle"] = _median_of(forecast("middle_error_points")[:, index])
        summary[f"FG {at} coverage"] = _mean_of(forecast("final_covered")[:, index])
        summary[f"finish {at} h"] = _median_of(forecast("finish_error_h")[:, index])
        summary[f"finish {at} coverage"] = _mean_of(forecast("finish_covered")[:, index])
    return summary
