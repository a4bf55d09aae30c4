"""The beer in its vessel: temperature, rate, gravity and the brewer's plan, over hours since pitching."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from tests.simulator.beer import FloatArray
from tests.simulator.kinetics import Shape, draw_shape
from tests.simulator.recipe import Recipe

STEP_H = 0.1
Q10 = 2.0
"""Yeast at its usual temperatures works about twice as fast 10 degrees warmer; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A planned change of the wanted range."""

    start_h: float
    wanted_c: tuple[float, float]
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What truly happened: (n,) arrays over `time_h`."""

    time_h: FloatArray
    gravity_sg: FloatArray
    temperature_c: FloatArray
    plan: tuple[Planned, ...]
    failure_start_h: float | None
    added_h: float | None  # when sugar was added


def _lagged(values: FloatArray, time_constant_h: float) -> FloatArray:
    """First-order response of the vessel to its surroundings."""
    keep = float(np.exp(-STEP_H / time_constant_h))
    out = np.empty_like(values)
    level = float(values[0])
    for index, value in enumerate(values.tolist()):
        level = value + (level - value) * keep
        out[index] = level
    return out


def _wander(rng: Generator, count: int, hours: float) -> FloatArray:
    """A smooth random path of unit standard deviation with that correlation time."""
    knots = max(4, int(count * STEP_H / hours) + 4)
    path = np.interp(np.linspace(0, knots - 1, count), np.arange(knots), rng.normal(0.0, 1.2, knots))
    return np.asarray(path)


def _control(recipe: Recipe, time_h: FloatArray, rng: Generator) -> FloatArray:
    """What the controller, or the room, adds to the set temperature."""
    if recipe.control == "steady":
        return 0.08 * _wander(rng, time_h.size, 6.0)
    if recipe.control == "ripple":
        period_h = rng.uniform(0.8, 3.5)
        phase = 2 * np.pi * time_h / period_h + 0.8 * _wander(rng, time_h.size, 12.0)
        return np.asarray(rng.uniform(0.1, 0.5) * (2 / np.pi) * np.arcsin(np.sin(phase)))
    daily = np.sin(2 * np.pi * (time_h - rng.uniform(0, 24)) / 24.0)
    return np.asarray(rng.uniform(0.2, 0.6) * daily + 0.3 * _wander(rng, time_h.size, 36.0))


def _activity(recipe: Recipe, temperature_c: FloatArray) -> FloatArray:
    """Speed of the yeast relative to the wanted temperature: Q10, and sleep well below it."""
    middle = 0.5 * (recipe.wanted_c[0] + recipe.wanted_c[1])
    asleep_c = middle - (5.0 if recipe.style == "lager" else 7.0)
    awake = 1.0 / (1.0 + np.exp(-(temperature_c - asleep_c) / 0.9))
    return np.asarray(Q10 ** ((temperature_c - middle) / 10.0) * awake)


def _done(recipe: Recipe, shape: Shape, biological_h: FloatArray) -> FloatArray:
    """The fraction of the drop done after so many hours of work at the wanted temperature, creeping tail included."""
    idle_h = recipe.adaptation_share * recipe.lag_h
    working_h = np.maximum(biological_h - idle_h, 0.0)
    main = shape.stretched(working_h, lag_h=recipe.lag_h - idle_h, half_h=recipe.half_h)
    drop_points = (recipe.original_gravity_sg - 1.0) * 1000.0 * recipe.attenuation
    creeping = min(recipe.tail_points / drop_points, 0.15)
    # Tempo of the tail follows the yeast's own: a fast yeast also creeps faster.
    hours = 24.0 * recipe.tail_days * float(np.clip(recipe.half_h / 28.0, 0.5, 1.6))
    steps = np.diff(biological_h, prepend=biological_h[0])
    tail = -np.expm1(-np.cumsum(main**4 * steps) / hours)
    return np.asarray((1.0 - creeping) * main + creeping * tail)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stop:
    """A stall in work: the activity is multiplied by `factor`, the temperature lowered by `cooling_c`."""

    factor: FloatArray
    cooling_c: FloatArray


def _stop(recipe: Recipe, time_h: FloatArray, at_h: float, rng: Generator) -> _Stop:
    hours_after = time_h - at_h
    going = 1.0 / (1.0 + np.exp(np.clip(hours_after / rng.uniform(1.0, 4.0), -50, 50)))
    residual = rng.uniform(0.0, 0.01)
    depth_c = rng.uniform(4.0, 7.0) if recipe.stall_is_cold else 0.0
    cooling = depth_c * (1.0 - going)
    factor = residual + (1.0 - residual) * going
    if recipe.stall_days is not None:
        back = 1.0 / (1.0 + np.exp(-np.clip((hours_after - 24.0 * recipe.stall_days) / rng.uniform(2.0, 5.0), -50, 50)))
        factor = factor + back * rng.uniform(0.5, 1.0)
        # Warmed beyond where it stood, as a brewer does to wake a stalled beer.
        cooling = cooling * (1.0 - back) - rng.uniform(0.5, 2.5) * back
    return _Stop(factor=np.minimum(factor, 1.0), cooling_c=cooling)


def _ramp(time_h: FloatArray, start_h: float, from_c: float, to_c: float, hours: float) -> FloatArray:
    return np.asarray(np.interp(time_h, [start_h, start_h + hours], [0.0, to_c - from_c]))


def _crash_start_h(recipe: Recipe, finish_h: float, rng: Generator) -> float | None:
    """When the cellar is made cold: a brewer plans it after the finish he expects, rarely a little before it."""
    if recipe.crash == "none":
        return None
    margin_h = rng.uniform(60.0, 110.0) if recipe.crash == "late" else rng.normal(50.0, 30.0)
    return float(round(max(finish_h + max(margin_h, -12.0), 72.0)))


def ferment(recipe: Recipe, rng: Generator) -> Course:
    """Run one brew from pitching to a few days after its end (7 to 42 days)."""
    shape = draw_shape(recipe.family, rng)
    long_h: FloatArray = STEP_H * np.arange(60.0 * 24.0 / STEP_H)
    undisturbed = _done(recipe, shape, long_h)
    at_target = recipe.original_gravity_sg - 1.0
    remaining_points = at_target * 1000 * recipe.attenuation * (1.0 - undisturbed)
    finish_h = float(long_h[np.argmax(remaining_points < 0.5)])
    stall_h = None
    if recipe.stall_at is not None:
        stall_h = float(long_h[np.argmax(undisturbed > recipe.stall_at)])
        finish_h += 24.0 * (recipe.stall_days or 0.0) * 1.2
    crash_h = _crash_start_h(recipe, finish_h, rng)
    end_h = max(finish_h, crash_h or 0.0) + 24.0 * rng.uniform(2.5, 8.0)
    if recipe.stall_at is not None and recipe.stall_days is None:
        end_h = min(end_h, (stall_h or 0.0) + 24.0 * rng.uniform(5.0, 10.0))
        crash_h = None
    time_h: FloatArray = STEP_H * np.arange(float(int(np.clip(end_h, 7 * 24, 42 * 24) / STEP_H)))

    middle = 0.5 * (recipe.wanted_c[0] + recipe.wanted_c[1])
    half = 0.5 * (recipe.wanted_c[1] - recipe.wanted_c[0])
    set_c = np.full(time_h.size, middle)
    plan: list[Planned] = []
    if recipe.rest_rise_c is not None and stall_h is None:
        rest_h = float(round(np.interp(rng.uniform(0.65, 0.9), undisturbed, long_h)))
        if crash_h is None or rest_h + 24.0 < crash_h:
            set_c = set_c + _ramp(time_h, rest_h, 0.0, recipe.rest_rise_c, rng.uniform(6.0, 30.0))
            top = middle + recipe.rest_rise_c
            plan.append(Planned(start_h=rest_h, wanted_c=(middle - half, round(top + half, 1)), label="diacetyl rest"))
    if crash_h is not None and crash_h < time_h[-1]:
        cold_c, hours = rng.uniform(2.0, 5.0), rng.uniform(12.0, 40.0)
        standing_c = float(np.interp(crash_h, time_h, set_c))
        set_c = set_c + _ramp(time_h, crash_h, standing_c, cold_c, hours)
        if recipe.crash != "unplanned":
            plan.append(Planned(start_h=crash_h, wanted_c=(1.0, 6.0), label="cold crash"))

    failure_h, failing_c = _failure(recipe, time_h, finish_h, middle, rng)
    stop = _Stop(factor=np.ones(time_h.size), cooling_c=np.zeros(time_h.size))
    if stall_h is not None:
        stop = _stop(recipe, time_h, stall_h, rng)
    ambient_c = set_c + _control(recipe, time_h, rng) + failing_c - stop.cooling_c
    temperature_c = _lagged(ambient_c, rng.uniform(1.0, 4.0))
    temperature_c[:] += (rng.normal(0.0, 2.0)) * np.exp(-time_h / rng.uniform(4.0, 12.0))
    own_heat = rng.uniform(0.01, 0.03) if recipe.control != "room" else rng.uniform(0.05, 0.12)
    drop_sg = at_target * recipe.attenuation
    # Twice round: the heat of the first guess of the rate warms the second.
    warm_c, done = temperature_c, np.zeros(time_h.size)
    for _ in range(2):
        speed = _activity(recipe, warm_c) * stop.factor
        biological_h = np.concatenate([[0.0], np.cumsum(speed[:-1]) * STEP_H])
        done = _done(recipe, shape, biological_h)
        rate = np.gradient(done * drop_sg * 1000.0, time_h) * 24.0
        warm_c = np.maximum(temperature_c + own_heat * _lagged(rate, 4.0), -1.0)
    added_h = float(time_h[np.argmax(done >= min(recipe.added_at, done[-1]))]) if recipe.added_points else None
    return Course(
        time_h=time_h,
        gravity_sg=recipe.original_gravity_sg - drop_sg * done + _added_sg(recipe, time_h, biological_h, added_h, rng),
        temperature_c=warm_c,
        plan=tuple(plan),
        failure_start_h=failure_h,
        added_h=added_h,
    )


def _added_sg(
    recipe: Recipe, time_h: FloatArray, biological_h: FloatArray, added_h: float | None, rng: Generator
) -> FloatArray:
    """What is left of sugar that was put in: it dissolves within hours and all of it is fermented."""
    if added_h is None:
        return np.zeros(time_h.size)
    after_h = np.maximum(time_h - added_h, 0.0)
    worked_h = np.maximum(biological_h - np.interp(added_h, time_h, biological_h), 0.0)
    eaten_h = rng.uniform(0.3, 0.9) * recipe.half_h
    return np.asarray(recipe.added_points / 1000.0 * -np.expm1(-after_h / 1.5) * np.exp(-worked_h / eaten_h))


def _failure(
    recipe: Recipe, time_h: FloatArray, finish_h: float, middle_c: float, rng: Generator
) -> tuple[float | None, FloatArray]:
    """A heater or cooler that gives up, or a slow drift; the change it makes to the surroundings in C."""
    none = np.zeros(time_h.size)
    if recipe.failure == "none":
        return None, none
    start_h = float(rng.uniform(0.3, 1.2) * finish_h)
    after_h = np.maximum(time_h - start_h, 0.0)
    if recipe.failure == "drift":
        return start_h, np.asarray(np.clip(rng.choice([-1, 1]) * rng.uniform(0.5, 1.5) * after_h / 24.0, -5.0, 5.0))
    room_c = rng.uniform(12.0, 24.0)
    lost = room_c - middle_c if abs(room_c - middle_c) > 3.0 else rng.choice([-5.0, 5.0])
    return start_h, np.asarray(lost * -np.expm1(-after_h / rng.uniform(15.0, 40.0)))
