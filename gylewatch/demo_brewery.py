"""Three beers of our own invention, and the floats that lie in them: what ``gylewatch demo`` watches.

Pure: the same seed gives the same readings. The beers are made to look real (foam that lifts the float while it is
thick, slosh that grows with the gas, a cold crash, packets that get lost), not to be easy.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from calibration.expansion import expansion_ratio
from gylewatch.values import Batch, FloatId, PlanStep, ProbeReading, Reading, Reference, VesselId

INTERVAL: Final = timedelta(minutes=15)  # what a battery of months allows
LENGTH: Final = timedelta(days=12)
PROBE_OFF_C: Final = -0.2  # it sits deeper than the float, and common sensors are true to half a degree
REFERENCE_POINTS: Final = (0.0, 25.0, 50.0, 75.0, 100.0)  # sugar solutions, in points above water


@dataclass(frozen=True, slots=True, kw_only=True)
class Beer:
    """One invented beer, its float and its faults. Rates are at the wanted temperature."""

    name: str
    vessel: str
    float_name: str
    original_points: float
    final_points: float
    attenuation: tuple[float, float]
    wanted_c: tuple[float, float]
    volume_l: float
    lag_h: float  # until the yeast works visibly
    fastest_points_per_day: float
    foam_points: float  # what thick foam adds to what the float shows
    crash_after_h: float | None  # cold crash; None: it stays warm
    angle_deg: tuple[float, float, float]  # angle in water, and its first and second derivative by points
    encoding: str  # "json" or "cbor": floats of different makers speak differently
    probe: str | None = None  # a thermometer in the vessel's thermowell


BEERS: Final = (
    Beer(
        name="Ferry Lane Pale",
        vessel="FV1",
        float_name="heron",
        original_points=51.0,
        final_points=11.5,
        attenuation=(0.73, 0.80),
        wanted_c=(17.5, 20.5),
        volume_l=23.0,
        lag_h=11.0,
        fastest_points_per_day=24.0,
        foam_points=3.5,
        crash_after_h=8.5 * 24,
        angle_deg=(24.0, 0.66, -0.0012),
        encoding="json",
    ),
    Beer(
        name="Cold Cellar Lager",
        vessel="FV2",
        float_name="plover",
        original_points=47.0,
        final_points=9.5,
        attenuation=(0.76, 0.83),
        wanted_c=(9.5, 12.5),
        volume_l=50.0,
        lag_h=26.0,
        fastest_points_per_day=8.5,
        foam_points=1.2,
        crash_after_h=None,
        angle_deg=(21.0, 0.72, -0.0016),
        encoding="cbor",
        probe="thermowell-2",
    ),
    Beer(
        name="Night Barge Stout",
        vessel="FV3",
        float_name="wren",
        original_points=88.0,
        final_points=23.0,
        attenuation=(0.70, 0.78),
        wanted_c=(18.5, 21.5),
        volume_l=20.0,
        lag_h=15.0,
        fastest_points_per_day=26.0,
        foam_points=5.0,
        crash_after_h=None,
        angle_deg=(27.0, 0.58, -0.0009),
        encoding="json",
    ),
)


def batch_of(beer: Beer, pitched: datetime) -> Batch:
    """What the brewer writes down about a beer."""
    plan: tuple[PlanStep, ...] = ()
    if beer.crash_after_h is not None:
        start = pitched + timedelta(hours=beer.crash_after_h)
        plan = (PlanStep(start=start, temperature_c=(1.0, 5.0), label="cold crash"),)
    return Batch(
        name=beer.name,
        pitched=pitched,
        float_id=FloatId(beer.float_name),
        vessel=VesselId(beer.vessel),
        volume_l=beer.volume_l,
        expected_attenuation=beer.attenuation,
        temperature_c=beer.wanted_c,
        original_gravity_sg=1.0 + beer.original_points / 1000.0,
        plan=plan,
    )


def references_of(beer: Beer, generator: np.random.Generator) -> tuple[Reference, ...]:
    """A calibration in sugar solutions at 20 °C, with the errors of a kitchen scale and of a float that still rocks."""
    return tuple(
        Reference(
            float_id=FloatId(beer.float_name),
            angle_deg=_angle_deg(beer, points) + generator.normal(0.0, 0.15),
            gravity_sg=1.0 + (points + generator.normal(0.0, 0.4)) / 1000.0,
            temperature_c=20.0,
            angle_sd_deg=0.15,
            gravity_sd_sg=0.0004,
        )
        for points in REFERENCE_POINTS
    )


def readings_of(beer: Beer, pitched: datetime, generator: np.random.Generator) -> Iterator[Reading]:
    """What the float reports from pitching on, every `INTERVAL` for `LENGTH`; some packets are lost."""
    course = _Course(beer)
    step_h = INTERVAL.total_seconds() / 3600.0
    slosh = 0.0
    for index in range(1, int(LENGTH / INTERVAL) + 1):
        hour = index * step_h
        course.advance(hour, step_h, generator)
        work = course.rate_points_per_day / beer.fastest_points_per_day
        # Rocking lasts longer than one packet, so neighbouring errors resemble each other.
        slosh = 0.6 * slosh + generator.standard_t(4) * (0.12 + 0.5 * work)
        if generator.random() < 0.03:  # steel and water swallow some packets
            continue
        density_points = 1000.0 * ((1.0 + course.points / 1000.0) * _expansion(beer, course) - 1.0)
        angle = _angle_deg(beer, density_points + course.foam_points) + slosh
        yield Reading(
            time=pitched + index * INTERVAL,
            float_id=FloatId(beer.float_name),
            angle_deg=round(min(max(angle, 1.0), 89.0), 2),
            temperature_c=round(course.temperature_c + generator.normal(0.0, 0.05), 2),
            battery_v=round(4.12 - 0.18 * hour / 336.0 + generator.normal(0.0, 0.004), 3),
            rssi_dbm=int(generator.normal(-68.0, 4.0)),
        )


def probe_readings_of(beer: Beer, pitched: datetime, generator: np.random.Generator) -> Iterator[ProbeReading]:
    """What the vessel's own probe reports of the same beer, at the same times; it hangs on a wire and loses nothing."""
    course = _Course(beer)
    step_h = INTERVAL.total_seconds() / 3600.0
    for index in range(1, int(LENGTH / INTERVAL) + 1) if beer.probe else ():
        course.advance(index * step_h, step_h, generator)
        yield ProbeReading(
            time=pitched + index * INTERVAL,
            probe=str(beer.probe),
            vessel=VesselId(beer.vessel),
            temperature_c=round(course.temperature_c + PROBE_OFF_C + generator.normal(0.0, 0.03), 2),
        )


def _angle_deg(beer: Beer, points: float) -> float:
    base, slope, bend = beer.angle_deg
    return base + slope * points + bend * points * points


def _expansion(beer: Beer, course: _Course) -> float:
    gravity, original = 1.0 + course.points / 1000.0, 1.0 + beer.original_points / 1000.0
    return expansion_ratio(gravity, course.temperature_c, original)


class _Course:
    """How one beer goes on from hour to hour."""

    def __init__(self, beer: Beer) -> None:
        self._beer = beer
        self.points = beer.original_points
        self.temperature_c = sum(beer.wanted_c) / 2.0
        self.foam_points = 0.0
        self.rate_points_per_day = 0.0

    def advance(self, hour: float, step_h: float, generator: np.random.Generator) -> None:
        beer = self._beer
        drop = beer.original_points - beer.final_points
        # Logistic fall: fastest = drop * k / 4 a day at half way; the yeast sleeps below about 7 degrees.
        k_per_h = 4.0 * beer.fastest_points_per_day / drop / 24.0
        middle_h = beer.lag_h + 4.0 / k_per_h * 0.72
        done = 1.0 / (1.0 + math.exp(-k_per_h * (hour - middle_h)))
        at_pitching = 1.0 / (1.0 + math.exp(k_per_h * middle_h))
        before = self.points
        self.points = beer.original_points - drop * (done - at_pitching) / (1.0 - at_pitching)
        self.rate_points_per_day = max(before - self.points, 0.0) / step_h * 24.0
        self._warm(hour, step_h)
        self._foam(step_h, generator)

    def _warm(self, hour: float, step_h: float) -> None:
        beer = self._beer
        crashed = beer.crash_after_h is not None and hour >= beer.crash_after_h
        goal = 3.0 if crashed else sum(beer.wanted_c) / 2.0
        goal += 0.05 * self.rate_points_per_day  # the yeast's own heat
        goal += 0.2 * math.sin(2.0 * math.pi * hour / 24.0)  # the room by day and night
        hours = 10.0 if crashed else 6.0  # 20 litres in a cabinet follow slowly
        self.temperature_c += (goal - self.temperature_c) * step_h / hours

    def _foam(self, step_h: float, generator: np.random.Generator) -> None:
        beer = self._beer
        work = self.rate_points_per_day / beer.fastest_points_per_day
        goal = beer.foam_points * max(0.0, work - 0.25) / 0.75
        if goal < self.foam_points and generator.random() < 0.05:
            self.foam_points = goal  # the raft breaks up at once
        self.foam_points += (goal - self.foam_points) * step_h / 8.0
