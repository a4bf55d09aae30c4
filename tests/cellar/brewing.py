"""Vessel, yeast and brewer together, quarter hour by quarter hour: gravity, rate and temperature as they truly are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.cellar.beer import FloatArray
from tests.cellar.kinetics import clock_h, progress
from tests.cellar.recipe import Recipe, Stall

STEP_H = 0.25
LONGEST_H = 900.0
FASTEST = 1.6  # times the pace at the temperature aimed at: heat ends up harming the yeast
HEAT_C_PER_POINT = 0.29
"""Warming by one point of gravity in a vessel that loses no heat (from memory: 0.58 kJ per gram of extract or so)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanStep:
    """A change of the wanted range, hours since pitching."""

    time_h: float
    wanted_c: tuple[float, float]
    target_c: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """What truly happened, (n,) each, every quarter hour."""

    time_h: FloatArray
    fallen_points: FloatArray
    rate: FloatArray  # points/day, positive while the gravity falls
    temperature_c: FloatArray
    plan: tuple[PlanStep, ...]
    stall_h: float | None  # when the yeast gave up
    drifts: tuple[tuple[float, float], ...]
    left_points: float  # what would still come after the record


@dataclass(frozen=True, slots=True, kw_only=True)
class Climate:
    """How the vessel is kept: exchange in 1/h, the rest in °C, times in hours since pitching."""

    exchange: float
    swing_c: float
    swing_phase: float
    drift_h: tuple[float, float] | None
    drift_rate: float  # °C/h
    repaired: bool
    excursion_h: tuple[float, float] | None
    excursion_c: float

    def offset(self, hour: float) -> float:
        """How far the surroundings are from what was set."""
        off = self.swing_c * float(np.sin(2.0 * np.pi * hour / 24.0 + self.swing_phase))
        if self.drift_h is not None and (hour < self.drift_h[1] or not self.repaired):
            off += self.drift_rate * float(np.clip(hour, *self.drift_h) - self.drift_h[0])
        if self.excursion_h is not None and self.excursion_h[0] <= hour < self.excursion_h[1]:
            off += self.excursion_c
        return off


def _climate(recipe: Recipe, rng: np.random.Generator) -> Climate:
    drift_from = float(rng.uniform(20.0, 130.0))
    excursion_from = float(rng.uniform(10.0, 150.0))
    drifts, strays = bool(rng.random() < 0.13), bool(rng.random() < 0.14)
    return Climate(
        exchange=float(rng.uniform(0.05, 0.10) if recipe.in_room else rng.uniform(0.25, 0.6)),
        swing_c=float(rng.uniform(0.3, 1.5) if recipe.in_room else rng.uniform(0.0, 0.25)),
        swing_phase=float(rng.uniform(0.0, 2.0 * np.pi)),
        drift_h=(drift_from, drift_from + float(rng.uniform(24.0, 70.0))) if drifts else None,
        drift_rate=float(rng.choice([-1.0, 1.0]) * rng.uniform(0.05, 0.14)),
        repaired=bool(rng.random() < 0.6),
        excursion_h=(excursion_from, excursion_from + float(rng.uniform(4.0, 20.0))) if strays else None,
        excursion_c=float(rng.choice([-1.0, 1.0], p=[0.4, 0.6]) * rng.uniform(2.5, 6.0)),
    )


class _Brewer:
    """Changes the wanted range when the beer has come so far."""

    def __init__(self, recipe: Recipe, rng: np.random.Generator) -> None:
        self.recipe, self.plan = recipe, list[PlanStep]()
        self.target_c = recipe.target_c
        self.rest_at = float(rng.uniform(0.68, 0.88))
        self.crash_after_h = float(rng.uniform(30.0, 90.0))
        self.cold_c = float(rng.uniform(1.5, 5.0))
        self.warmer_c = float(rng.uniform(2.5, 4.5))

    def _change(self, hour: float, target_c: float, label: str) -> None:
        self.target_c = round(2.0 * target_c) / 2.0
        wanted = (self.target_c - 1.5, self.target_c + 1.5)
        self.plan.append(PlanStep(time_h=hour, wanted_c=wanted, target_c=self.target_c, label=label))

    def act(self, hour: float, done: float, stalled_for_h: float, quiet_for_h: float) -> None:
        if hour % 1.0 != 0.0:
            return
        labels = {step.label for step in self.plan}
        if self.recipe.rest and done > self.rest_at and "diacetyl rest" not in labels:
            self._change(hour, self.recipe.target_c + 5.0, "diacetyl rest")
        warms = self.recipe.stall is Stall.WARMED and stalled_for_h > self.recipe.stall_h
        if warms and "warmed to rouse the yeast" not in labels:
            self._change(hour, self.target_c + self.warmer_c, "warmed to rouse the yeast")
        may_crash = self.recipe.crash and self.recipe.stall is not Stall.FOR_GOOD
        if may_crash and quiet_for_h > self.crash_after_h and "cold crash" not in labels:
            self._change(hour, self.cold_c, "cold crash")


class _Yeast:
    """Works off the drop on its own clock, and may give up."""

    def __init__(self, recipe: Recipe, rng: np.random.Generator) -> None:
        self.recipe, self.done = recipe, progress(recipe, rng)
        self.grid_h = clock_h()
        self.clock, self.health, self.creep = 0.0, 1.0, 0.0
        self.fading_h, self.waking_h = float(rng.uniform(2.0, 7.0)), float(rng.uniform(4.0, 12.0))
        self.stall_h: float | None = None
        self.awake_again = False

    @property
    def fraction(self) -> float:
        return float(np.interp(self.clock, self.grid_h, self.done))

    @property
    def fallen_points(self) -> float:
        return (self.recipe.drop_points - self.recipe.creep_points) * self.fraction + self.creep

    def step(self, hour: float, temperature_c: float, warmed: bool) -> None:
        stall = self.recipe.stall
        if self.stall_h is None and stall is not Stall.NONE and self.fraction > self.recipe.stall_at:
            self.stall_h = hour
        if self.stall_h is not None:
            by_itself = stall is Stall.BY_ITSELF and hour - self.stall_h > self.recipe.stall_h
            self.awake_again |= by_itself or warmed
        gone = self.stall_h is not None and not self.awake_again
        aim, pace_h = (0.0, self.fading_h) if gone else (1.0, self.waking_h)
        self.health += (aim - self.health) * STEP_H / pace_h
        speed = self.recipe.q10 ** ((temperature_c - self.recipe.target_c) / 10.0)
        speed = min(speed, FASTEST)
        if temperature_c < self.recipe.target_c - 7.0:
            speed *= 0.15  # the cold sends yeast to sleep beyond what any Q10 says
        self.clock += speed * self.health * STEP_H
        if self.fraction > 0.95:
            more = self.recipe.creep_rate / 24.0 * min(speed, 1.3) * self.health * STEP_H
            self.creep = min(self.recipe.creep_points, self.creep + more)


def brew(recipe: Recipe, rng: np.random.Generator) -> Course:
    """Let the beer ferment until the brewer stops looking."""
    climate, brewer, yeast = _climate(recipe, rng), _Brewer(recipe, rng), _Yeast(recipe, rng)
    margin_c = recipe.target_c - recipe.wanted_c[0]
    limp = margin_c * float(rng.uniform(0.2, 0.8)) if recipe.in_room else 0.0  # set lower, for the heat to come
    temperature, flutter = recipe.target_c + float(rng.uniform(-2.0, 2.5)), 0.0
    rows: list[tuple[float, float, float]] = []
    quiet_from: float | None = None
    fallen = 0.0
    for hour in np.arange(0.0, LONGEST_H, STEP_H):
        rows.append((float(hour), fallen, temperature + flutter))
        stalled_for = 0.0 if yeast.stall_h is None else float(hour) - yeast.stall_h
        ended = recipe.drop_points - fallen < 1.0 or (recipe.stall is Stall.FOR_GOOD and stalled_for > 24.0)
        if ended and quiet_from is None:
            quiet_from = float(hour)
        quiet_for = 0.0 if quiet_from is None else float(hour) - quiet_from
        brewer.act(float(hour), yeast.fraction, stalled_for, quiet_for)
        cold = any(step.label == "cold crash" for step in brewer.plan)
        if hour > recipe.watched_h or quiet_for > recipe.stay_h + (brewer.crash_after_h if cold else 0.0):
            break
        warmed = recipe.stall is Stall.WARMED and stalled_for > 0.0 and bool(brewer.plan)
        warmed &= temperature > recipe.target_c + 1.2
        yeast.step(float(hour), temperature, warmed)
        warming = HEAT_C_PER_POINT * (yeast.fallen_points - fallen)
        fallen = yeast.fallen_points
        aim = brewer.target_c - limp + climate.offset(float(hour))
        exchange = max(climate.exchange, 0.12) if brewer.plan else climate.exchange
        temperature += warming + exchange * STEP_H * (aim - temperature)
        flutter += -0.2 * flutter + float(rng.normal(0.0, 0.03))
    return _course(np.array(rows), brewer, yeast, climate, recipe)


def _course(rows: FloatArray, brewer: _Brewer, yeast: _Yeast, climate: Climate, recipe: Recipe) -> Course:
    time_h, fallen = rows[:, 0], rows[:, 1]
    drifts = () if climate.drift_h is None or climate.drift_h[0] > time_h[-1] else (climate.drift_h,)
    frozen = recipe.stall is Stall.FOR_GOOD or any(step.label == "cold crash" for step in brewer.plan)
    return Course(
        time_h=time_h,
        fallen_points=fallen,
        rate=np.gradient(fallen, STEP_H) * 24.0,
        temperature_c=rows[:, 2],
        plan=tuple(brewer.plan),
        stall_h=yeast.stall_h,
        drifts=tuple((round(start, 2), round(min(end, float(time_h[-1])), 2)) for start, end in drifts),
        left_points=0.0 if frozen else recipe.drop_points - float(fallen[-1]),
    )
