"""One simulated brew: what the service gets to see, in order of arrival, and the truth behind it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.random import Generator, default_rng

from gylewatch.values import Addition, Batch, FloatId, Instrument, PlanStep, Reading, Reference, Sample, Unit, VesselId
from tests.simulator import noise, samples
from tests.simulator.beer import WATER_20_C, FloatArray, abv_percent, density_at
from tests.simulator.fermenter import Course, ferment
from tests.simulator.floats import TiltingFloat, draw_float, draw_references
from tests.simulator.recipe import Recipe, draw_recipe

STARTED_DROP_POINTS = 1.0
STILL_POINTS_PER_DAY = 0.5
FINISHED_REMAINING_POINTS = 0.5
STALLED_REMAINING_POINTS = 3.0

_BIRDS = ("heron", "curlew", "teal", "dipper", "plover", "avocet", "wigeon", "egret")
_FIRST_DAY = datetime(2026, 1, 5, 18, 30, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What really happened; arrays (n,) on a grid of six minutes, read-only; hours count from pitching.

    started_h : the drop reached 1 point.
    finished_h : from here on less than 0.5 point was left and the rate stayed under 0.5 points a day; None if the
        record ends before, or the brew stalled for good.
    stalled_h : it moved less than 0.5 points a day with more than 3 points left to what the yeast can do.
    restarted_h : after a stall the rate passed 0.5 points a day again.
    abv_percent : Balling with De Clerck's quotient at the last gravity, added sugar counted as if it had been there.
    final_gravity_sg : the gravity at the end of the record, which is the stalled one if it stalled for good.
    krausen_points : the bias by foam alone.
    """

    time_h: FloatArray
    gravity_sg: FloatArray
    rate_points_per_day: FloatArray
    temperature_c: FloatArray
    krausen_points: FloatArray
    bias_points: FloatArray
    original_gravity_sg: float
    final_gravity_sg: float
    abv_percent: float
    started_h: float
    finished_h: float | None
    stalled_h: float | None
    restarted_h: float | None
    temperature_failure_h: float | None

    @property
    def is_stalled(self) -> bool:
        """Whether it stalled and never went on."""
        return self.stalled_h is not None and self.restarted_h is None

    def at(self, values: FloatArray, hours: FloatArray | float) -> FloatArray:
        """One of the arrays at other hours."""
        return np.asarray(np.interp(hours, self.time_h, values))

    def hour_of_drop(self, fraction: float) -> float:
        """When that fraction of the whole drop was done."""
        goal = self.original_gravity_sg - fraction * (self.original_gravity_sg - self.final_gravity_sg)
        return float(self.time_h[np.argmax(self.gravity_sg <= goal)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Brew:
    """A batch with all that arrived about it, and the truth."""

    seed: int
    recipe: Recipe
    batch: Batch
    references: tuple[Reference, ...]
    readings: tuple[Reading, ...]  # in order of arrival
    samples: tuple[Sample, ...]  # in order of time
    truth: Truth

    @property
    def label(self) -> str:
        """Kind of beer and family of its curve."""
        return f"{self.recipe.style}/{self.recipe.family}"

    @property
    def strength_sg(self) -> float:
        """The original gravity, sugar that was added later counted as if it had been there."""
        return self.truth.original_gravity_sg + self.recipe.added_points / 1000.0

    @property
    def heard_h(self) -> FloatArray:
        """(k,) when the float measured, in hours since pitching, in the order of arrival."""
        return np.array([self.hours(reading.time) for reading in self.readings])

    @property
    def interval_h(self) -> float:
        """From reading to reading."""
        return self.recipe.interval_min / 60.0

    @property
    def drifts(self) -> bool:
        """Whether the temperature went off slowly from `truth.temperature_failure_h` on."""
        return self.recipe.failure == "drift"

    @property
    def battery(self) -> str:
        """`dies`, `falling`, `full` or `unreported`."""
        return self.recipe.battery

    def hours(self, time: datetime) -> float:
        """Hours since pitching."""
        return (time - self.batch.pitched) / timedelta(hours=1)


def simulate(seed: int, **overrides: Any) -> Brew:
    """The brew of that seed; `overrides` are fields of `Recipe`.

    Each part draws from a generator of its own, so that an override changes nothing but what depends on it.

    Raises
    ------
    TypeError
        An override is no field of `Recipe`.
    """
    draws = [default_rng(stream) for stream in np.random.SeedSequence(seed).spawn(7)]
    recipe = replace(draw_recipe(draws[0]), **overrides)
    course = ferment(recipe, draws[1])
    owned = draw_float(draws[2])
    float_id = FloatId(_BIRDS[seed % len(_BIRDS)])
    batch = _batch(seed, recipe, course, float_id, draws[3])
    drawn = _draw_samples(recipe, course, batch.pitched, draws[4])
    rate = _rate(course)
    at_h = _reading_hours(recipe, course, draws[6])
    handled = tuple((sample.time - batch.pitched) / timedelta(hours=1) for sample in drawn)
    angle_deg, disturbance = _angles(recipe, course, owned, draws[5], at_h=at_h, handled_h=handled)
    readings = _packets(recipe, course, batch, draws[6], at_h=at_h, angle_deg=angle_deg, disturbance=disturbance)
    return Brew(
        seed=seed,
        recipe=recipe,
        batch=batch,
        references=draw_references(owned, float_id, draws[2], is_blundered=recipe.is_blundered),
        readings=readings,
        samples=drawn,
        truth=_truth(recipe, course, rate, at_h, disturbance),
    )


def _rate(course: Course) -> FloatArray:
    return np.asarray(np.maximum(-np.gradient(course.gravity_sg, course.time_h) * 24_000.0, 0.0))


def _batch(seed: int, recipe: Recipe, course: Course, float_id: FloatId, rng: Generator) -> Batch:
    pitched = _FIRST_DAY + timedelta(days=int(rng.integers(0, 300)), minutes=int(rng.integers(0, 600)))
    measured = round(recipe.original_gravity_sg + float(rng.normal(0.0, 1.0e-3)), 4)
    return Batch(
        name=f"Trial {seed} {recipe.style}",
        pitched=pitched,
        float_id=float_id,
        vessel=VesselId("FV1"),
        volume_l=21.0,
        expected_attenuation=recipe.expected_attenuation,
        temperature_c=recipe.wanted_c,
        original_gravity_sg=measured if recipe.knows_original_gravity else None,
        additions=_additions(recipe, course, pitched),
        plan=tuple(
            PlanStep(start=pitched + timedelta(hours=step.start_h), temperature_c=step.wanted_c, label=step.label)
            for step in course.plan
        ),
    )


def _additions(recipe: Recipe, course: Course, pitched: datetime) -> tuple[Addition, ...]:
    if course.added_h is None:
        return ()
    told = recipe.added_points if recipe.added_is_weighed else None
    return (Addition(time=pitched + timedelta(hours=course.added_h), gravity_points=told, label="candy sugar"),)


def _draw_samples(recipe: Recipe, course: Course, pitched: datetime, rng: Generator) -> tuple[Sample, ...]:
    end_h = float(course.time_h[-1])
    hours = np.sort(rng.beta(1.2, 1.2, recipe.samples) * (end_h - 12.0) + 6.0)
    bad = int(rng.integers(0, max(recipe.samples, 1))) if recipe.sample_is_bad else -1
    wort_factor = float(rng.normal(1.04, 0.01))
    kinds = list(Instrument)
    return tuple(
        _read_sample(
            recipe,
            course,
            rng,
            pitched=pitched,
            hour=float(hour),
            instrument=kinds[int(rng.choice(3, p=[0.6, 0.28, 0.12]))],
            wort_factor=wort_factor,
            blunder_sg=float(rng.choice([-1, 1]) * rng.uniform(3e-3, 8e-3)) if index == bad else 0.0,
        )
        for index, hour in enumerate(hours)
    )


def _read_sample(
    recipe: Recipe,
    course: Course,
    rng: Generator,
    *,
    pitched: datetime,
    hour: float,
    instrument: Instrument,
    wort_factor: float,
    blunder_sg: float,
) -> Sample:
    original = recipe.original_gravity_sg
    gravity = float(np.interp(hour, course.time_h, course.gravity_sg)) + blunder_sg
    temperature_c = samples.draw_temperature_c(float(np.interp(hour, course.time_h, course.temperature_c)), rng)
    if instrument is Instrument.HYDROMETER:
        read = samples.hydrometer_sg(original, gravity, temperature_c) + float(rng.normal(0.0, 0.7e-3))
        # Scales are read to half a point.
        value, unit = round(read * 2000) / 2000, Unit.SG
    elif instrument is Instrument.REFRACTOMETER:
        temperature_c = round(float(rng.normal(20.0, 0.7)), 1)
        read = samples.refractometer_brix(original, gravity, wort_factor) + float(rng.normal(0.0, 0.1))
        value, unit = round(max(read, 0.0), 1), Unit.BRIX
    else:
        read = samples.density_g_per_cm3(original, gravity, temperature_c) + float(rng.normal(0.0, 0.2e-3))
        value, unit = round(read, 4), Unit.G_PER_CM3
    return Sample(
        time=pitched + timedelta(minutes=round(hour * 60)),
        instrument=instrument,
        value=value,
        unit=unit,
        sample_temperature_c=temperature_c,
    )


def _reading_hours(recipe: Recipe, course: Course, rng: Generator) -> FloatArray:
    """When the float measured: its interval with a little jitter, until the record or the battery ends."""
    end_h = float(course.time_h[-1])
    if recipe.battery == "dies":
        end_h *= float(rng.uniform(0.35, 0.8))
    count = int(end_h * 60.0 / recipe.interval_min)
    step_h = recipe.interval_min / 60.0 * (1.0 + np.clip(rng.normal(0.0, 0.01, count), -0.05, 0.05))
    at_h = rng.uniform(0.0, 1.0) + np.cumsum(step_h)
    at_h = at_h[at_h < end_h]
    for _ in range(recipe.gaps):
        start_h, hours = rng.uniform(0.0, end_h), float(np.exp(rng.uniform(np.log(1.0), np.log(24.0))))
        at_h = at_h[(at_h < start_h) | (at_h > start_h + hours)]
    return np.asarray(at_h)


def _angles(
    recipe: Recipe,
    course: Course,
    owned: TiltingFloat,
    rng: Generator,
    *,
    at_h: FloatArray,
    handled_h: tuple[float, ...],
) -> tuple[FloatArray, noise.Disturbance]:
    gravity = np.interp(at_h, course.time_h, course.gravity_sg)
    temperature_c = np.interp(at_h, course.time_h, course.temperature_c)
    rate = _rate(course)
    disturbance = noise.disturb(recipe, rng, time_h=course.time_h, rate=rate, at_h=at_h, handled_h=handled_h)
    seen = density_at(recipe.original_gravity_sg, gravity, temperature_c) / WATER_20_C
    seen = seen + (disturbance.krausen_points + disturbance.offset_points) / 1000.0
    angle = owned.angle_deg(seen, temperature_c) + disturbance.jolt_deg
    angle = angle + noise.scatter_deg(recipe, np.interp(at_h, course.time_h, rate), rng)
    angle = angle + noise.wobble_deg(recipe, at_h, rng)
    angle = noise.go_wild(recipe, noise.stick(recipe, at_h, angle, rng), rng)
    return np.clip(angle, 0.5, 179.0), disturbance


def _battery_v(recipe: Recipe, at_h: FloatArray, course: Course, rng: Generator) -> FloatArray:
    """Voltage of one lithium-ion cell: a slow fall, then a steep one when it is nearly empty."""
    used_at_start = rng.uniform(0.0, 0.35)
    last_h = float(course.time_h[-1])
    if recipe.battery == "dies":
        lasts_h = float(at_h[-1]) / (1.0 - used_at_start)
    else:
        lasts_h = last_h * (rng.uniform(1.6, 3.0) if recipe.battery == "falling" else rng.uniform(8.0, 40.0))
    used = np.clip(used_at_start + at_h / lasts_h, 0.0, 1.0)
    voltage = 4.15 - 0.55 * used - 0.45 * np.maximum(used - 0.88, 0.0) / 0.12
    return np.asarray(np.round(voltage + rng.normal(0.0, 0.004, at_h.size), 3))


def _packets(
    recipe: Recipe,
    course: Course,
    batch: Batch,
    rng: Generator,
    *,
    at_h: FloatArray,
    angle_deg: FloatArray,
    disturbance: noise.Disturbance,
) -> tuple[Reading, ...]:
    """Readings in order of arrival: a few per cent late or twice, in those brews that have a bad radio."""
    true_c = np.interp(at_h, course.time_h, course.temperature_c)
    measured_c = np.round((true_c + rng.normal(0.0, 0.2) + rng.normal(0.0, 0.05, at_h.size)) * 16.0) / 16.0
    voltage = _battery_v(recipe, at_h, course, rng)
    reports_acceleration = rng.random() < 0.3
    acceleration = 1.0 + rng.normal(0.0, 0.008, at_h.size) + disturbance.is_moving * rng.normal(0.0, 0.25, at_h.size)
    signal = np.clip(np.round(rng.uniform(-85, -55) + rng.normal(0.0, 4.0, at_h.size)), -110, -30).astype(int)
    arrival_h = at_h.copy()
    chosen = np.arange(at_h.size)
    if recipe.repeats_and_delays:
        late = rng.random(at_h.size) < rng.uniform(0.002, 0.03)
        arrival_h[late] += rng.exponential(2.0, int(late.sum()))
        twice = np.flatnonzero(rng.random(at_h.size) < rng.uniform(0.002, 0.03))
        chosen = np.concatenate([chosen, twice])
        arrival_h = np.concatenate([arrival_h, arrival_h[twice] + rng.exponential(0.2, twice.size)])
    order = chosen[np.argsort(arrival_h, kind="stable")]
    seconds = np.round(at_h * 3600.0).astype(int).tolist()
    angles, warmths = np.round(angle_deg, 2).tolist(), measured_c.tolist()
    volts, dbm, g = voltage.tolist(), signal.tolist(), np.round(np.abs(acceleration), 3).tolist()
    has_battery = recipe.battery != "unreported"
    return tuple(
        Reading(
            time=batch.pitched + timedelta(seconds=seconds[index]),
            float_id=batch.float_id,
            angle_deg=angles[index],
            temperature_c=warmths[index],
            battery_v=volts[index] if has_battery else None,
            rssi_dbm=dbm[index],
            acceleration_g=g[index] if reports_acceleration else None,
        )
        for index in order.tolist()
    )


def _truth(recipe: Recipe, course: Course, rate: FloatArray, at_h: FloatArray, disturbance: noise.Disturbance) -> Truth:
    time_h, gravity = course.time_h, course.gravity_sg
    original, final = recipe.original_gravity_sg, float(gravity[-1])
    left_points = (gravity - original + (original - 1.0) * recipe.attenuation) * 1000.0
    dropped = (original - gravity) * 1000.0 >= STARTED_DROP_POINTS
    still = rate < STILL_POINTS_PER_DAY
    stalled_h = _first(time_h, still & dropped & (left_points > STALLED_REMAINING_POINTS))
    restarted_h = None if stalled_h is None else _first(time_h, ~still & (time_h > stalled_h))
    is_for_good = stalled_h is not None and restarted_h is None
    done = still & ((gravity - final) * 1000.0 < FINISHED_REMAINING_POINTS) & dropped
    finished_h = None
    if not is_for_good and done[-1] and time_h[-1] - (start := float(time_h[~done][-1])) > 24.0:
        finished_h = start
    krausen = np.interp(time_h, at_h, disturbance.krausen_points)
    bias = krausen + np.interp(time_h, at_h, disturbance.offset_points)
    for values in (time_h, gravity, rate, course.temperature_c, krausen, bias):
        values.setflags(write=False)
    return Truth(
        time_h=time_h,
        gravity_sg=gravity,
        rate_points_per_day=rate,
        temperature_c=course.temperature_c,
        krausen_points=krausen,
        bias_points=bias,
        original_gravity_sg=original,
        final_gravity_sg=final,
        abv_percent=float(abv_percent(original + recipe.added_points / 1000.0, np.array(final))),
        started_h=float(time_h[np.argmax(dropped)]),
        finished_h=finished_h,
        stalled_h=stalled_h,
        restarted_h=restarted_h,
        temperature_failure_h=course.failure_start_h,
    )


def _first(time_h: FloatArray, holds: np.typing.NDArray[np.bool_]) -> float | None:
    return float(time_h[np.argmax(holds)]) if holds.any() else None


def simulate_where(count: int, wanted: Callable[[Brew], bool], first_seed: int = 0) -> tuple[Brew, ...]:
    """The first `count` brews from `first_seed` on that are as wanted."""
    found: list[Brew] = []
    seed = first_seed
    while len(found) < count:
        brew = simulate(seed)
        if wanted(brew):
            found.append(brew)
        seed += 1
    return tuple(found)
