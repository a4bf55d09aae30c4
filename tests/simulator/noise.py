"""What comes between the true angle and the one reported: foam, knocks, sloshing, sticking, fouling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from tests.simulator.beer import FloatArray
from tests.simulator.recipe import Recipe


@dataclass(frozen=True, slots=True, kw_only=True)
class Disturbance:
    """(n,) over the readings: `krausen_points` and `offset_points` raise the gravity seen, `jolt_deg` is added."""

    krausen_points: FloatArray
    offset_points: FloatArray
    jolt_deg: FloatArray
    is_moving: np.typing.NDArray[np.bool_]


def krausen(recipe: Recipe, time_h: FloatArray, rate: FloatArray, at_h: FloatArray, rng: Generator) -> FloatArray:
    """Bias by foam and yeast rafts in points at `at_h`; it grows with activity and goes in steps or slowly."""
    if recipe.krausen_points == 0.0:
        return np.zeros(at_h.size)
    peak_h = float(time_h[np.argmax(rate)])
    onset_h = float(time_h[np.argmax(rate > rng.uniform(0.1, 0.4) * rate.max())])
    rise_h = max(peak_h - onset_h, 3.0) * rng.uniform(0.4, 1.2)
    level = -np.expm1(-np.maximum(at_h - onset_h, 0.0) / rise_h * 2.0)
    end_h = max(peak_h, onset_h + rise_h) + recipe.krausen_plateau_h
    if recipe.krausen_ends_in_steps:
        count = int(rng.integers(1, 5))
        falls_h = end_h + np.concatenate([[0.0], np.cumsum(rng.exponential(8.0, count - 1))])
        shares = rng.dirichlet(np.full(count, 3.0))
        left = 1.0 - (np.greater_equal.outer(at_h, falls_h) * shares).sum(axis=1)
    else:
        left = np.exp(-np.maximum(at_h - end_h, 0.0) / rng.uniform(10.0, 40.0))
    knots = np.arange(at_h[0], at_h[-1] + 8.0, 5.0)
    wobble = 1.0 + 0.15 * np.interp(at_h, knots, rng.normal(0.0, 1.0, knots.size))
    return np.asarray(recipe.krausen_points * level * left * wobble)


def disturb(
    recipe: Recipe,
    rng: Generator,
    *,
    time_h: FloatArray,
    rate: FloatArray,
    at_h: FloatArray,
    handled_h: tuple[float, ...],
) -> Disturbance:
    """Draw everything that befalls the float at the reading times `at_h`.

    `handled_h` are the hours at which somebody drew a sample; each may jolt the float.
    """
    knocks_h = [*rng.uniform(0.05, 1.0, recipe.knocks) * at_h[-1], *(h for h in handled_h if rng.random() < 0.3)]
    offset = recipe.fouling_points * (at_h / at_h[-1]) ** rng.uniform(0.7, 1.5)
    jolt = np.zeros(at_h.size)
    moving = np.zeros(at_h.size, dtype=np.bool_)
    for knock_h in knocks_h:
        struck = (at_h >= knock_h) & (at_h < knock_h + rng.uniform(0.2, 1.5))
        jolt[struck] += rng.normal(0.0, 5.0, int(struck.sum()))
        moving |= struck
        if rng.random() < 0.3:
            offset = offset + rng.uniform(-3.0, 3.0) * (at_h >= knock_h)
    return Disturbance(
        krausen_points=krausen(recipe, time_h, rate, at_h, rng),
        offset_points=offset,
        jolt_deg=jolt,
        is_moving=moving,
    )


def scatter_deg(recipe: Recipe, rate_at: FloatArray, rng: Generator) -> FloatArray:
    """Heavy-tailed scatter of single readings: the electronics, and sloshing that grows with the gas set free."""
    size = np.hypot(recipe.base_noise_deg, recipe.slosh_deg * np.clip(rate_at / 20.0, 0.0, 2.0))
    # A t variate's central part is as wide as a normal one's when divided by about 1.15 at these degrees of freedom.
    heavy = rng.standard_t(recipe.noise_freedom, rate_at.size) / 1.15
    return np.asarray(np.clip(size * heavy, -25.0, 25.0))


def wobble_deg(recipe: Recipe, at_h: FloatArray, rng: Generator) -> FloatArray:
    """Bubbles that gather and let go: a wandering of hours."""
    knots = np.arange(at_h[0], at_h[-1] + 6.0, rng.uniform(1.0, 5.0))
    return np.asarray(recipe.wobble_deg * np.interp(at_h, knots, rng.normal(0.0, 1.2, knots.size)))


def stick(recipe: Recipe, at_h: FloatArray, angle_deg: FloatArray, rng: Generator) -> FloatArray:
    """Hours at the wall: the angle stays where it was."""
    out = angle_deg.copy()
    for _ in range(recipe.sticks):
        start_h, hours = rng.uniform(0.05, 0.9) * at_h[-1], rng.uniform(3.0, 30.0)
        held = (at_h >= start_h) & (at_h < start_h + hours)
        if held.any():
            out[held] = out[np.argmax(held)] + rng.normal(0.0, 0.02, int(held.sum()))
    return out


def go_wild(recipe: Recipe, angle_deg: FloatArray, rng: Generator) -> FloatArray:
    """Now and then an angle that is valid and has nothing to do with the beer."""
    out = angle_deg.copy()
    wild = rng.random(out.size) < recipe.wild_share
    out[wild] = rng.uniform(0.5, 179.0, int(wild.sum()))
    return out
