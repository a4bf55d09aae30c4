"""The course of a fermentation on the yeast's own clock: the fraction of the drop that is done, from 0 to 1."""

from __future__ import annotations

import math

import numpy as np

from tests.cellar.beer import FloatArray
from tests.cellar.recipe import Family, Recipe

CLOCK_STEP_H = 0.25
CLOCK_END_H = 1600.0


def clock_h() -> FloatArray:
    """The yeast's clock in hours at the temperature aimed at, (n,)."""
    return np.arange(0.0, CLOCK_END_H, CLOCK_STEP_H)


def progress(recipe: Recipe, rng: np.random.Generator) -> FloatArray:
    """The fraction done at each time of :func:`clock_h`, (n,), rising from 0 to 1."""
    steep, half = recipe.steepness, recipe.half_h
    match recipe.family:
        case Family.LOGISTIC:
            done = _logistic(half, steep, 1.0)
        case Family.ASYMMETRIC:
            done = _logistic(half, steep, float(np.exp(rng.uniform(math.log(0.5), math.log(2.2)))))
        case Family.GOMPERTZ:
            done = _gompertz(half, steep)
        case Family.SUGARS:
            done = _sugars(half, rng)
    if recipe.family is not Family.GOMPERTZ:  # which has its own
        done = np.interp(_awake_h(recipe, rng), clock_h(), done)
    done = np.maximum.accumulate(done)
    return np.asarray((done - done[0]) / (done[-1] - done[0]))


def _awake_h(recipe: Recipe, rng: np.random.Generator) -> FloatArray:
    """The clock of a yeast that first takes in oxygen and does not fall to work at once, hours, (n,)."""
    lag, soft = min(24.0, recipe.half_h * float(rng.uniform(0.08, 0.4))), float(rng.uniform(1.0, 2.5))
    return np.asarray(soft * np.logaddexp(0.0, (clock_h() - lag) / soft))


def _logistic(middle_h: float, steepness: float, power: float) -> FloatArray:
    grown = np.exp(np.clip(steepness * (clock_h() - middle_h), -60.0, 60.0))
    return np.asarray(1.0 - (1.0 + grown) ** -power)


def _gompertz(half_h: float, steepness: float) -> FloatArray:
    """Zwietering's form with a lag; as steep as the logistic, half done at `half_h` unless the lag would vanish."""
    rate = steepness / 4.0
    # Half is done where exp(-exp(z)) = 1/2, which is z = -0.3665.
    lag = max(4.0, half_h - 1.3665 / (rate * math.e))
    return np.asarray(np.exp(-np.exp(np.clip(rate * math.e * (lag - clock_h()) + 1.0, -60.0, 20.0))))


def _sugars(half_h: float, rng: np.random.Generator) -> FloatArray:
    """Yeast that wakes, grows on three sugars in turn and settles; stretched in time so that half is done at `half_h`.

    The structure is common knowledge of brewing science; the numbers are chosen for plausible shapes only.
    """
    shares = rng.dirichlet([14.0, 60.0, 18.0])
    appetite = np.array([1.6, 1.0, 0.55]) * rng.uniform(0.8, 1.25, size=3)
    repression = rng.uniform(0.05, 0.3, size=2)
    growth, limit, settling = rng.uniform(0.4, 1.0), rng.uniform(2.5, 6.0), rng.uniform(0.0, 0.12)
    sugars, asleep, awake, start = shares.copy(), 0.9, 0.1, float(shares.sum())
    step, count = 0.02, 2500  # in units of the yeast's own making
    done = np.empty(count)
    for i in range(count):
        done[i] = start - float(sugars.sum())
        held_back = np.array(
            [
                1.0,
                repression[0] / (repression[0] + sugars[0]),
                repression[0] / (repression[0] + sugars[0]) * repression[1] / (repression[1] + sugars[1]),
            ]
        )
        uptake = 0.14 * appetite * held_back * sugars / (0.06 + sugars) * awake
        waking = 0.8 * asleep
        born = growth * 6.0 * float(uptake.sum()) * (1.0 - (awake + asleep) / limit)
        sugars = np.maximum(0.0, sugars - step * uptake)
        awake = max(0.3, awake + step * (waking + born - settling * awake * done[i]))
        asleep -= step * waking
    done /= start
    own_half = step * float(np.interp(0.5, done, np.arange(count)))
    return np.asarray(np.interp(clock_h() * own_half / half_h, step * np.arange(count), done, right=1.0))
