"""Graph: what the picture of a batch shows, thinned for a screen. Pure; drawn by `web.picture` and by chart.js."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

import numpy as np

from calibration.hydrometry import HandGravity
from fermentation.estimate import Estimate, Forecast
from gylewatch.values import Addition, Batch, ProbeReading
from storage.records import ProbeCourse
from storage.thinning import LEAST_GAP, ends_and_extremes

# A wide screen has about 1,500 columns; more points than that cannot be told apart.
SCREEN_POINTS = 1500
# Of a stretch two extremes are kept, where an estimate has six: as fine a line as the others.
PROBE_POINTS = 500
NO_PROBE = ProbeCourse()
_Gaps = Sequence[tuple[datetime, datetime]]
_Row = TypeVar("_Row", Estimate, ProbeReading)


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
    probe: ProbeCourse = NO_PROBE  # of the vessel, from the first estimate on; it may go on when the float is silent
    additions: tuple[Addition, ...] = ()  # in the time that is drawn

    @property
    def end(self) -> datetime:
        """Of what is drawn; there must be an estimate."""
        return _end(self.estimates, self.probe)


def _end(estimates: Sequence[Estimate], probe: ProbeCourse) -> datetime:
    last = [row.time for row in estimates[-1:]] + [row.time for row in probe.readings[-1:]]
    return max(last)


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


def _additions(batch: Batch, start: datetime, end: datetime) -> tuple[Addition, ...]:
    return tuple(each for each in batch.additions if start <= each.time <= end)


def graph(
    batch: Batch,
    estimates: Sequence[Estimate],
    samples: Sequence[HandGravity],
    gaps: _Gaps = (),
    probe: ProbeCourse = NO_PROBE,
) -> Graph:
    """Put together what the picture of `batch` shows.

    Parameters
    ----------
    batch : for its wanted temperature and additions
    estimates : in order of time; may be empty
    samples : corrected hand measurements
    gaps : in order, from the last estimate before hours without readings to the first one after
    probe : what the vessel's own probe measured since the first estimate
    """
    return Graph(
        estimates=thin(estimates, SCREEN_POINTS),
        wanted=wanted_ranges(batch, estimates[0].time, _end(estimates, probe)) if estimates else (),
        samples=tuple(samples),
        forecast=estimates[-1].forecast if estimates else None,
        gaps=tuple(gaps),
        probe=probe,
        additions=_additions(batch, estimates[0].time, _end(estimates, probe)) if estimates else (),
    )


def stretches(rows: Sequence[_Row], gaps: _Gaps) -> tuple[tuple[_Row, ...], ...]:
    """The rows between the gaps, each stretch without a break."""
    parts: list[list[_Row]] = [[]]
    ends = [end for _, end in gaps]
    for row in rows:
        if ends and row.time >= ends[0]:
            while ends and row.time >= ends[0]:
                ends.pop(0)
            parts.append([])
        parts[-1].append(row)
    return tuple(tuple(part) for part in parts if part)


def probe_at(probe: ProbeCourse, time: datetime) -> ProbeReading | None:
    """The reading nearest to `time`; None within a gap, and where the nearest is hours away."""
    place = bisect_left(probe.readings, time, key=lambda reading: reading.time)
    beside = probe.readings[max(0, place - 1) : place + 1]
    nearest = min(beside, key=lambda reading: abs(reading.time - time), default=None)
    if nearest is None or any(start < time < end for start, end in probe.gaps):
        return None
    # Of a long course the thinned readings stand further apart than the hours that make a gap.
    within = place not in (0, len(probe.readings))
    return nearest if within or abs(nearest.time - time) <= LEAST_GAP else None
