"""Accuracy of the estimator and rightness of the alerts on simulated brews, beside generic smoothers.

    python -m benchmarks.estimator [--batches 60] [--first-seed 0] [--jobs 2] [--dump 5] [--only gylewatch]
                                   [--added-points 8]

The simulator (`tests.simulator`) was made for development: it does not judge. Its noise and foam were set by hand until
a generic Kalman filter erred about as much as one is known to err on other data, so that column is no finding.
`benchmarks.scores.evaluate` takes any
`Runner`, so that another estimator can be put beside these.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import datetime, timedelta
from functools import partial

import numpy as np

from benchmarks.baselines import BASELINES
from benchmarks.scores import BrewScore, Event, Judged, Row, Runner, score_brew, summarise
from benchmarks.verdicts import Tally, tally
from gylewatch.errors import GylewatchError
from gylewatch.values import Reading, Sample
from tests.simulator.scenario import Brew, simulate

TICK = timedelta(minutes=10)
# As often as the replay judges the time between two readings.

TARGETS = {
    "error, active": "<= 0.7",
    "error, krausen": "<= 1.1",
    "error, finished": "<= 0.6",
    "median RMSE": "<= 0.9",
    "coverage": "0.75-0.88",
    "width": "<= 3.5",
    "rate error": "<= 0.6",
    "ABV error": "<= 0.12",
    "FG 25%": "<= 0.8",
    "FG 50%": "<= 0.75",
    "FG 75%": "<= 0.65",
    "finish 25% h": "<= 24",
    "finish 50% h": "<= 15",
    "finish 75% h": "<= 10",
    "finish 25% coverage": "0.70-0.90",
    "finish 50% coverage": "0.70-0.90",
    "finish 75% coverage": "0.70-0.90",
}
ALERT_TARGETS = {
    "fermentation-started": "recall 1.00, median <= 5 h, none false",
    "fermentation-finished": "recall >= 0.93, median <= 26 h, p90 <= 48 h, false in <= 2 of 120",
    "fermentation-stalled": "recall >= 0.90, median <= 24 h, false in <= 3 of 120",
    "temperature-out-of-range": "recall >= 0.97, false < 0.05 a batch",
    "temperature-drift": "recall >= 0.95, false < 0.05 a batch",
    "float-silent": "recall 1.00, none false",
    "battery-low": "recall 1.00, none false",
}


def gylewatch_pipeline(brew: Brew) -> list[Row]:
    """gylewatch's own course over the brew, as the replay runs it.

    Raises
    ------
    CalibrationError
        The references bear no curve.
    """
    from alerts.settings import AlertSettings
    from calibration.fit import fit_curve
    from gylewatch import pipeline

    course = pipeline.Course(batch=brew.batch, curve=fit_curve(brew.references), alert_settings=AlertSettings())
    state = pipeline.start(course)
    rows: list[Row] = []
    waiting: list[Event] = []
    for event in _events(brew):
        try:
            if isinstance(event, Reading):
                outcome = pipeline.on_reading(course, state, event)
            elif isinstance(event, Sample):
                outcome = pipeline.on_sample(course, state, event)
            else:
                outcome = pipeline.on_tick(course, state, event)
        except GylewatchError as error:
            print(f"brew {brew.seed}: refused: {error}", file=sys.stderr)
            continue
        state = outcome.state
        waiting += [
            Event(time_h=brew.hours(alert.time), kind=alert.kind, resolves=alert.resolves) for alert in outcome.alerts
        ]
        if outcome.estimate is not None:
            rows.append(_row(brew, outcome.estimate, tuple(waiting)))
            waiting = []
    return rows


def _events(brew: Brew) -> Iterator[Reading | Sample | datetime]:
    """Readings as they arrive, each once; samples and ticks between them when the data's clock passes."""
    clock: datetime | None = None
    seen: set[datetime] = set()
    samples = list(reversed(brew.samples))
    for reading in brew.readings:
        if reading.time in seen:
            continue
        seen.add(reading.time)
        while clock is not None and clock + TICK < reading.time:
            clock += TICK
            while samples and samples[-1].time <= clock:
                yield samples.pop()
            yield clock
        while samples and samples[-1].time <= reading.time:
            yield samples.pop()
        yield reading
        clock = reading.time if clock is None else max(clock, reading.time)


def _row(brew: Brew, estimate: object, events: tuple[Event, ...]) -> Row:
    from fermentation.estimate import Estimate

    assert isinstance(estimate, Estimate)

    def hours(moment: datetime | None) -> float:
        return float("nan") if moment is None else brew.hours(moment)

    forecast = estimate.forecast
    return Row(
        time_h=brew.hours(estimate.time),
        gravity_sg=estimate.gravity_sg,
        low=estimate.gravity_low_sg,
        high=estimate.gravity_high_sg,
        rate=estimate.rate_points_per_day,
        abv=estimate.abv_percent,
        fg=forecast.final_gravity_sg if forecast else float("nan"),
        fg_low=forecast.final_gravity_low_sg if forecast else float("nan"),
        fg_high=forecast.final_gravity_high_sg if forecast else float("nan"),
        finish_h=hours(forecast.finish_time) if forecast else float("nan"),
        finish_low_h=hours(forecast.finish_low) if forecast else float("nan"),
        finish_high_h=hours(forecast.finish_high) if forecast else float("nan"),
        phase=estimate.phase,
        alerts=events,
    )


RUNNERS: dict[str, Runner] = {"gylewatch": gylewatch_pipeline, **BASELINES}


def _score_seed(seed: int, names: Sequence[str], added_points: float) -> dict[str, BrewScore]:
    brew = simulate(seed, added_points=added_points)
    return {name: score_brew(brew, RUNNERS[name](brew)) for name in names}


def evaluate_seeds(
    seeds: Sequence[int], names: Sequence[str], jobs: int, added_points: float = 0.0
) -> dict[str, tuple[BrewScore, ...]]:
    """Score the brews of `seeds` by each named runner, in `jobs` processes."""
    work = partial(_score_seed, names=tuple(names), added_points=added_points)
    if jobs == 1:
        found = [work(seed) for seed in seeds]
    else:
        with ProcessPoolExecutor(jobs) as pool:
            found = list(pool.map(work, seeds))
    return {name: tuple(each[name] for each in found) for name in names}


def accuracy_table(scores: dict[str, tuple[BrewScore, ...]]) -> str:
    """One line a measure, one column a runner; points, points a day, % ABV, hours."""
    summaries = {name: summarise(each) for name, each in scores.items()}
    lines = [f"{'measure':<24}" + "".join(f"{name:>11}" for name in summaries) + "   to reach"]
    for measure in next(iter(summaries.values())):
        cells = "".join(
            f"{'-':>11}" if np.isnan(summary[measure]) else f"{summary[measure]:>11.2f}"
            for summary in summaries.values()
        )
        lines.append(f"{measure:<24}{cells}   {TARGETS.get(measure, '')}".rstrip())
    return "\n".join(lines)


def alert_table(counts: dict[str, Tally]) -> str:
    """One line a kind: due, recall, delay, false; the seeds to look at."""
    lines = [f"{'alert':<25}{'due':>5}{'recall':>8}{'delay h':>9}{'p90 h':>7}{'false':>7}   to reach; seeds"]
    for kind, count in counts.items():
        recall = f"{count.told / count.due:.2f}" if count.due else "-"
        middle, late = np.percentile(count.delays_h, (50, 90)) if count.delays_h else (np.nan, np.nan)
        seeds = f"missed {count.missed_seeds[:8]} false {count.false_seeds[:8]}"
        lines.append(
            f"{kind:<25}{count.due:>5}{recall:>8}{middle:>9.1f}{late:>7.1f}{count.false:>7}   "
            f"{ALERT_TARGETS[kind]}; {seeds}"
        )
    return "\n".join(lines)


def worst_table(scores: Sequence[BrewScore], count: int) -> str:
    """The brews with the largest RMSE and what went wrong in them."""
    lines = [
        f"{'seed':>5} {'brew':<24}{'RMSE':>6}{'cover':>7}{'width':>7}{'ABV':>7}  FG and finish error at 25/50/75 %"
    ]
    for score in sorted(scores, key=lambda s: -s.rmse_points)[:count]:
        final = "/".join(f"{x:.1f}" for x in score.forecasts.final_error_points)
        finish = "/".join(f"{x:.0f}" for x in score.forecasts.finish_error_h)
        lines.append(
            f"{score.seed:>5} {score.label:<24}{score.rmse_points:>6.2f}{np.nanmean(score.covered):>7.2f}"
            f"{np.nanmean(score.width_points):>7.2f}{score.abv_error:>7.2f}  {final}  {finish}"
        )
    return "\n".join(lines)


def print_verdicts(brews: Sequence[Judged], scores: Sequence[BrewScore], worst: int) -> None:
    """Print how right the alerts were on brews, and the `worst` of them, if any."""
    print("\n" + alert_table(tally([(brew, score.events) for brew, score in zip(brews, scores, strict=True)])))
    if worst:
        print("\n" + worst_table(scores, worst))


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.estimator", description=__doc__.split("\n")[0])
    parser.add_argument("--batches", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--dump", type=int, default=0, metavar="N", help="also print the N worst brews")
    parser.add_argument("--only", choices=list(RUNNERS), action="append", help="run only this one; may be repeated")
    parser.add_argument("--added-points", type=float, default=0.0, help="sugar put into each brew at 70 %% of its drop")
    options = parser.parse_args(arguments)

    names = options.only or list(RUNNERS)
    seeds = range(options.first_seed, options.first_seed + options.batches)
    began = time.perf_counter()
    scores = evaluate_seeds(seeds, names, options.jobs, options.added_points)
    print(f"{len(seeds)} simulated brews from seed {seeds[0]}, {time.perf_counter() - began:.0f} s")
    print(accuracy_table(scores))
    if "gylewatch" in scores:
        mine = scores["gylewatch"]
        brews = [simulate(score.seed, added_points=options.added_points) for score in mine]
        print_verdicts(brews, mine, options.dump)


if __name__ == "__main__":
    main()
