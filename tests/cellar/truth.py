"""What is true of a brew, by the rules of a judge. Times in hours since pitching."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tests.cellar.beer import alcohol_by_volume
from tests.cellar.brewing import Course
from tests.cellar.disturbance import Disturbance
from tests.cellar.radio import Record
from tests.cellar.recipe import Recipe, Stall

Interval = tuple[float, float | None]

STARTED_POINTS = 0.5
LEFT_POINTS = 1.0
QUIET_RATE = 0.5  # points/day
OUT_BY_C = 0.3
OUT_FOR_H = 2.0
MAY_TAKE_H = 36.0  # to reach a range after pitching or a planned change
SILENT_H = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """The answers, named as in truth.json."""

    original_gravity_sg: float
    final_gravity_sg: float
    started_h: float | None
    finished_h: float | None
    stalls: tuple[Interval, ...]
    stalled_for_good: bool
    temperature_out: tuple[Interval, ...]
    temperature_drifts: tuple[Interval, ...]
    silences: tuple[Interval, ...]
    stuck: tuple[Interval, ...]
    battery_low_h: float | None
    abv_percent: float
    label: str


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Where flags are true: first and one past the last of each run."""
    edges = np.flatnonzero(np.diff(np.r_[False, flags, False].astype(int)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _stalls(recipe: Recipe, course: Course) -> tuple[Interval, ...]:
    """From when the rate falls below half a point a day, once the yeast gives up, until it exceeds that again."""
    if course.stall_h is None:
        return ()
    quiet = np.flatnonzero((course.time_h > course.stall_h) & (course.rate < QUIET_RATE))
    if not quiet.size:
        return ()
    start = int(quiet[0])
    again = np.flatnonzero(course.rate[start:] >= QUIET_RATE)
    if recipe.stall is Stall.FOR_GOOD or not again.size:
        return ((float(course.time_h[start]), None),)
    return ((float(course.time_h[start]), float(course.time_h[start + int(again[0])])),)


def _finished_h(course: Course, final_points: float) -> float | None:
    """The first time after which less than a point is left and the rate stays low for good."""
    over = (final_points - course.fallen_points < LEFT_POINTS) & (course.rate < QUIET_RATE)
    if not over[-1]:
        return None
    still = np.flatnonzero(~over)
    return float(course.time_h[int(still[-1]) + 1]) if still.size else 0.0


def _temperature_out(recipe: Recipe, course: Course) -> tuple[Interval, ...]:
    """More than 0.3 °C outside the wanted range for two hours, but for the time that a change may take."""
    low, high = (np.full(course.time_h.size, each) for each in recipe.wanted_c)
    changes = [0.0]
    for step in course.plan:
        later = course.time_h >= step.time_h
        low[later], high[later] = step.wanted_c
        changes.append(step.time_h)
    far = np.maximum(low - course.temperature_c, course.temperature_c - high)
    out = far > OUT_BY_C
    for change in changes:
        reached = np.flatnonzero((course.time_h >= change) & (far <= 0.0))
        by = float(course.time_h[reached[0]]) if reached.size else float(course.time_h[-1])
        out[(course.time_h >= change) & (course.time_h < min(by, change + MAY_TAKE_H))] = False
    spans = [(course.time_h[a], course.time_h[min(b, out.size - 1)]) for a, b in _runs(out)]
    return tuple((float(a), float(b)) for a, b in spans if b - a >= OUT_FOR_H)


def _silences(record: Record, end_h: float) -> tuple[Interval, ...]:
    """Six hours or more in which nothing arrives; one that does not end within the record has no end."""
    arrivals = [round(packet.arrived_h, 2) for packet in record.packets]
    gaps: list[Interval] = [(before, after) for before, after in pairwise(arrivals) if after - before >= SILENT_H]
    return (*gaps, (arrivals[-1], None)) if end_h - arrivals[-1] >= SILENT_H else tuple(gaps)


def _label(recipe: Recipe, course: Course, trouble: Disturbance) -> str:
    words = [recipe.style.name, str(recipe.family), str(recipe.stall)]
    words += ["creeps"] if recipe.creep_points else []
    words += [step.label for step in course.plan]
    words += ["sticks"] if trouble.stuck else []
    words += ["leaks"] if trouble.leak_h is not None else []
    return ", ".join(words)


def tell(recipe: Recipe, course: Course, trouble: Disturbance, record: Record) -> Truth:
    """Apply the rules to one brew."""
    end = float(course.time_h[-1])
    for_good = recipe.stall is Stall.FOR_GOOD and course.stall_h is not None
    final_points = float(course.fallen_points[-1]) + course.left_points
    started = np.flatnonzero(course.fallen_points >= STARTED_POINTS)
    return Truth(
        original_gravity_sg=recipe.original_sg,
        final_gravity_sg=recipe.original_sg - final_points / 1000.0,
        started_h=float(course.time_h[started[0]]) if started.size else None,
        finished_h=None if for_good else _finished_h(course, final_points),
        stalls=_stalls(recipe, course),
        stalled_for_good=for_good,
        temperature_out=_temperature_out(recipe, course),
        temperature_drifts=course.drifts,
        silences=_silences(record, end),
        stuck=trouble.stuck,
        battery_low_h=record.battery_low_h,
        abv_percent=alcohol_by_volume(
            recipe.original_sg, recipe.original_sg - float(course.fallen_points[-1]) / 1000.0
        ),
        label=_label(recipe, course, trouble),
    )
