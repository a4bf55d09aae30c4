"""Graph: what the picture of a batch shows, thinned for a screen. Pure; drawn by `web.picture` and by chart.js."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from calibration.hydrometry import HandGravity
from fermentation.estimate import Estimate, Forecast
from gylewatch.values import Batch
from storage.thinning import ends_and_extremes

# A wide screen has about 1,500 columns; more points than that cannot be told apart.
SCREEN_POINTS = 1500


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
    gaps: tuple[tuple[datetime, datetime], ...] = ()  # hours without readings: no line is drawn across them


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
    lows = [
        (e.gravity_sg, -e.gravity_sg, e.gravity_low_sg, -e.gravity_high_sg, e.temperature_c, -e.temperature_c)
        for e in estimates
    ]
    return tuple(estimates[row] for row in ends_and_extremes(np.array(lows).reshape(-1, 6), at_most))


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


def graph(
    batch: Batch,
    estimates: Sequence[Estimate],
    samples: Sequence[HandGravity],
    gaps: Sequence[tuple[datetime, datetime]] = (),
) -> Graph:
    """Put together what the picture of `batch` shows.

    Parameters
    ----------
    batch : for its wanted temperature
    estimates : in order of time; may be empty
    samples : corrected hand measurements
    gaps : in order, from the last estimate before hours without readings to the first one after
    """
    return Graph(
        estimates=thin(estimates, SCREEN_POINTS),
        wanted=wanted_ranges(batch, estimates[0].time, estimates[-1].time) if estimates else (),
        samples=tuple(samples),
        forecast=estimates[-1].forecast if estimates else None,
        gaps=tuple(gaps),
    )


def stretches(
    estimates: Sequence[Estimate], gaps: Sequence[tuple[datetime, datetime]]
) -> tuple[tuple[Estimate, ...], ...]:
    """The estimates between the gaps, each stretch without a break."""
    parts: list[list[Estimate]] = [[]]
    ends = [end for _, end in gaps]
    for estimate in estimates:
        if ends and estimate.time >= ends[0]:
            while ends and estimate.time >= ends[0]:
                ends.pop(0)
            parts.append([])
        parts[-1].append(estimate)
    return tuple(tuple(part) for part in parts if part)
