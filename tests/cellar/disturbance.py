"""What lies between the beer and the float: foam, rafts of yeast, knocks, fouling, walls. All in points.

A bias is positive where the float makes the gravity look higher than it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.cellar.beer import FloatArray
from tests.cellar.brewing import STEP_H, Course
from tests.cellar.recipe import Recipe

FOAM_LIMIT = 6.3
LASTING_LIMIT = 6.0
LEAK_LIMIT = 12.0
SLIPS_AT = (3.0, 9.0)  # points by which a float that sticks must be out before it comes free


@dataclass(frozen=True, slots=True, kw_only=True)
class Disturbance:
    """Biases on the grid of the course, (n,)."""

    foam: FloatArray
    lasting: FloatArray
    stuck: tuple[tuple[float, float], ...]
    swell: FloatArray  # slow swaying with the rising gas, no bias
    leak_h: float | None


def _wander(rng: np.random.Generator, count: int, lasts_h: float) -> FloatArray:
    """A random course of mean 0 and standard deviation 1 that forgets itself in `lasts_h`, (n,)."""
    keep = float(np.exp(-STEP_H / lasts_h))
    kicks = rng.normal(0.0, np.sqrt(1.0 - keep**2), size=count)
    out = np.empty(count)
    value = float(rng.normal())
    for i in range(count):
        value = keep * value + kicks[i]
        out[i] = value
    return out


def _foam(recipe: Recipe, course: Course, rng: np.random.Generator) -> FloatArray:
    """Follows the activity: up within hours, down slowly or in steps; never before the first half point has fallen."""
    height = float(rng.uniform(0.1, 1.0) if rng.random() < 0.42 else rng.uniform(1.0, 3.4))
    height *= 1.0 if rng.random() < 0.65 else -1.0
    slowness = recipe.style.slowness
    begins, full = float(rng.uniform(0.1, 0.3)), float(rng.uniform(0.45, 0.8))
    up_h, down_h = slowness * float(rng.uniform(2.0, 7.0)), slowness * float(rng.uniform(5.0, 24.0))
    steps = int(rng.integers(1, 5)) if rng.random() < 0.5 else 0
    activity = course.rate / max(1.0, float(course.rate.max()))
    aim = np.clip((activity - begins) / (full - begins), 0.0, 1.0) * (course.fallen_points > 0.5)
    level, smooth = 0.0, np.zeros(course.time_h.size)
    for i, wanted in enumerate(aim):
        level += (float(wanted) - level) * STEP_H / (up_h if wanted > level else down_h)
        smooth[i] = level
    shape = np.ceil(np.round(smooth * steps, 2)) / steps if steps else smooth
    rough = np.exp(0.22 * _wander(rng, shape.size, 3.0 * slowness))
    foam = height * shape * rough
    if rng.random() < 0.15:  # the raft rolls over to the other side
        turn = int(rng.integers(shape.size // 12, shape.size // 2))
        foam[turn:] *= -float(rng.uniform(0.3, 1.0))
    foam[np.abs(foam) < 0.02] = 0.0
    return np.asarray(np.clip(foam, -FOAM_LIMIT, FOAM_LIMIT))


def _knocks(course: Course, handled_h: tuple[float, ...], recipe: Recipe, rng: np.random.Generator) -> FloatArray:
    """Hop additions, moving the vessel and drawing samples."""
    time_h, end = course.time_h, float(course.time_h[-1])
    out = np.zeros(time_h.size)
    moments = [(hour, 0.4) for hour in handled_h if rng.random() < 0.2]
    if recipe.style.name not in ("cider", "lager") and rng.random() < 0.4:
        moments += [(float(rng.uniform(0.25, 0.7)) * end, 1.1)]
    if rng.random() < 0.15:
        moments += [(float(rng.uniform(0.1, 0.95)) * end, 1.3)]
    for hour, size in moments:
        jump = size * float(np.clip(rng.standard_t(4), -4.0, 4.0))
        stays = float(rng.uniform(0.4, 1.0)) if rng.random() < 0.4 else 0.0
        since = np.clip(time_h - hour, 0.0, None)
        out += np.where(time_h >= hour, jump * (stays + (1.0 - stays) * np.exp(-since / rng.uniform(2.0, 14.0))), 0.0)
    return out


def _fouling(course: Course, rng: np.random.Generator) -> FloatArray:
    """What yeast and hop resin that cling to the float do, once there is activity: up to two points."""
    pace = float(rng.normal(0.0, 0.09)) if rng.random() < 0.6 else 0.0  # points/day
    begun = int(np.argmax(course.fallen_points > 2.0))
    days = np.clip(course.time_h - course.time_h[begun], 0.0, None) / 24.0
    return np.asarray(2.0 * np.tanh(0.5 * pace * days))


def _stick(course: Course, seen: FloatArray, rng: np.random.Generator) -> tuple[FloatArray, tuple[float, float] | None]:
    """The float hangs on the wall, shows what it showed, and comes free at last; returns the bias and when it stuck.

    seen : true gravity with all other biases, points
    """
    bias, count = np.zeros(seen.size), seen.size
    if rng.random() >= 0.13:
        return bias, None
    start = int(count * rng.uniform(0.04, 0.75))
    stop = min(count, start + int(rng.uniform(4.0, 30.0) / STEP_H))
    off = seen[start] - seen[start:stop]
    slips = np.flatnonzero(np.abs(off) > rng.uniform(*SLIPS_AT))
    stop = start + int(slips[0]) if slips.size else stop
    bias[start:stop] = seen[start] - seen[start:stop]
    times = (float(course.time_h[start]), float(course.time_h[min(stop, count - 1)]))
    return bias, times if times[1] > times[0] else None


def _leak(course: Course, rng: np.random.Generator) -> tuple[FloatArray, float | None]:
    """Beer gets into the float, it grows heavy and lies deeper: the gravity looks lower and lower."""
    if rng.random() >= 0.04:
        return np.zeros(course.time_h.size), None
    start = float(course.time_h[-1] * rng.uniform(0.2, 0.8))
    fall = -float(rng.uniform(1.5, 5.0)) * np.clip(course.time_h - start, 0.0, None) / 24.0
    return np.asarray(np.clip(fall, -LEAK_LIMIT, 0.0)), start


def disturb(recipe: Recipe, course: Course, handled_h: tuple[float, ...], rng: np.random.Generator) -> Disturbance:
    """Draw all that disturbs the float in one brew.

    handled_h : when samples were drawn, hours since pitching
    """
    foam = _foam(recipe, course, rng)
    seat = float(rng.normal(0.0, 0.45))  # it lies a little otherwise in the vessel than in the calibration's glass
    lasting = seat + _knocks(course, handled_h, recipe, rng) + _fouling(course, rng)
    leak, leak_h = _leak(course, rng)
    lasting = np.clip(lasting, -LASTING_LIMIT, LASTING_LIMIT) + leak
    held, stuck = _stick(course, foam + lasting - course.fallen_points, rng)
    swell = _wander(rng, foam.size, float(rng.uniform(1.0, 4.0))) * float(rng.uniform(0.1, 0.4))
    return Disturbance(
        foam=foam,
        lasting=lasting + held,
        stuck=() if stuck is None else (stuck,),
        swell=np.asarray(swell * np.clip(course.rate, 0.0, 40.0) / 20.0),
        leak_h=leak_h,
    )
