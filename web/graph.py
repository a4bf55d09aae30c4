"""Graph: what the picture of a batch shows, thinned for a screen. Pure; drawn by `web.picture` and by chart.js."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from calibration.hydrometry import HandGravity
from fermentation.estimate import Estimate, Forecast
from gylewatch.values import Batch

# A wide screen has about 1,500 columns; more points than that cannot be told apart.
SCREEN_POINTS = 1500
# Each stretch keeps its lowest and highest gravity, interval and temperature.
_KEPT_BY: tuple[Callable[[Estimate], float], ...] = (
    lambda estimate: estimate.gravity_sg,
    lambda estimate: -estimate.gravity_sg,
    lambda estimate: estimate.gravity_low_sg,
    lambda estimate: -estimate.gravity_high_sg,
    lambda estimate: estimate.temperature_c,
    lambda estimate: -estimate.temperature_c,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedRange:
    """The wanted temperature from `start` to `end`."""

    start: datetime
    end: datetime
    temperature_c: tuple[float, float]
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Graph:
    """Everything the picture shows. Intervals are central 80 % intervals."""

    estimates: tuple[Estimate, ...]  # thinned, in order of time
    wanted: tuple[WantedRange, ...]
    samples: tuple[HandGravity, ...]
    forecast: Forecast | None  # of the latest estimate


def thin(estimates: Sequence[Estimate], at_most: int) -> tuple[Estimate, ...]:
    """At most `at_most` of the estimates: first, last, and the extremes of equally long stretches.

    Parameters
    ----------
    estimates : in order of time
    at_most : 8 or more

    Raises
    ------
    ValueError
        `at_most` is below 8: the ends and the six extremes of one stretch would not fit.
    """
    if at_most < len(_KEPT_BY) + 2:
        raise ValueError(f"{at_most} points are too few to keep the extremes; ask for 8 or more")
    n = len(estimates)
    if n <= at_most:
        return tuple(estimates)
    stretches = (at_most - 2) // len(_KEPT_BY)
    kept = {0, n - 1}
    for stretch in range(stretches):
        span = range(stretch * n // stretches, (stretch + 1) * n // stretches)
        kept.update(min(span, key=lambda row, key=key: key(estimates[row])) for key in _KEPT_BY)  # type: ignore[misc]
    return tuple(estimates[row] for row in sorted(kept))


def wanted_ranges(batch: Batch, start: datetime, end: datetime) -> tuple[WantedRange, ...]:
    """The wanted temperature between `start` and `end`, one range for each step of the plan."""
    steps = [(start, batch.wanted_temperature_c(start), "")]
    steps += [(step.start, step.temperature_c, step.label) for step in batch.plan if start < step.start < end]
    ends = [step[0] for step in steps[1:]] + [end]
    return tuple(
        WantedRange(start=since, end=until, temperature_c=wanted, label=label)
        for (since, wanted, label), until in zip(steps, ends, strict=True)
        if since < until
    )


def graph(batch: Batch, estimates: Sequence[Estimate], samples: Sequence[HandGravity]) -> Graph:
    """Put together what the picture of `batch` shows.

    Parameters
    ----------
    batch : for its wanted temperature
    estimates : in order of time; may be empty
    samples : corrected hand measurements
    """
    return Graph(
        estimates=thin(estimates, SCREEN_POINTS),
        wanted=wanted_ranges(batch, estimates[0].time, estimates[-1].time) if estimates else (),
        samples=tuple(samples),
        forecast=estimates[-1].forecast if estimates else None,
    )
