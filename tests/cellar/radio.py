"""From the float to the file: noise, battery, lost, late, repeated and absurd packets, in the order of arrival."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.cellar.beer import FloatArray
from tests.cellar.brewing import Course
from tests.cellar.disturbance import Disturbance
from tests.cellar.float_body import FloatBody
from tests.cellar.recipe import Recipe

LOW_CHARGE = 0.10
"""What is left of a lithium cell at about 3.5 V, where its voltage begins to drop fast (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Packet:
    """One row of readings.csv, hours since pitching."""

    arrived_h: float
    time_h: float
    angle_deg: float
    temperature_c: float
    battery_v: float | None
    rssi_dbm: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Battery:
    """A cell: charge from 1 to 0 over time in hours."""

    charge: float  # at pitching
    lasts_h: float  # from full to empty
    reported: bool

    def left(self, hour: FloatArray | float) -> FloatArray:
        return np.asarray(self.charge - np.asarray(hour) / self.lasts_h)

    def hour_at(self, charge: float) -> float:
        return max(0.0, (self.charge - charge) * self.lasts_h)

    def volts(self, hour: float, rng: np.random.Generator) -> float:
        charge = float(self.left(hour))
        level = np.interp(charge, [0.0, 0.03, 0.10, 0.30, 0.60, 1.0], [3.0, 3.3, 3.5, 3.68, 3.82, 4.15])
        return float(level + rng.normal(0.0, 0.008))


def _battery(end_h: float, rng: np.random.Generator) -> Battery:
    tired = bool(rng.random() < 0.14)
    lasts = float(rng.uniform(0.7, 2.5)) * end_h if tired else float(rng.uniform(2500.0, 6000.0))
    charge = float(rng.uniform(0.3, 0.8)) if tired else float(rng.uniform(0.5, 1.0))
    return Battery(charge=charge, lasts_h=lasts, reported=bool(rng.random() < 0.85))


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """All that was received, and what is true of it."""

    packets: tuple[Packet, ...]
    battery_low_h: float | None


def _sent_h(course: Course, dies_h: float, rng: np.random.Generator) -> FloatArray:
    interval_min = float(rng.choice([2, 5, 10, 15, 20, 30, 60], p=[0.05, 0.12, 0.2, 0.33, 0.1, 0.15, 0.05]))
    begins = float(rng.uniform(0.0, 12.0) if rng.random() < 0.08 else rng.uniform(0.0, 1.5))
    sent = np.arange(begins, min(float(course.time_h[-1]), dies_h), interval_min / 60.0)
    return np.asarray(sent + rng.uniform(0.0, 0.02 * interval_min / 60.0 + 0.001, size=sent.size))


def _angles(
    body: FloatBody, gravity: FloatArray, temperature: FloatArray, rate: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Degrees with trembling, and with the heavy-tailed sloshing that grows with the gas; one for each packet."""
    trembling, slosh = float(rng.uniform(0.06, 0.25)), float(rng.uniform(0.4, 2.0))
    tossed = slosh * np.clip(rate, 0.0, 60.0) / 20.0 * np.clip(rng.standard_t(2.5, size=gravity.size), -25.0, 25.0)
    still = body.angle_deg(gravity, temperature)
    steep = (body.angle_deg(gravity + 0.001, temperature) - still) * tossed
    return np.asarray(np.clip(still + steep + rng.normal(0.0, trembling, size=gravity.size), 0.0, 180.0))


def _readings(
    recipe: Recipe, course: Course, trouble: Disturbance, body: FloatBody, sent: FloatArray, *, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Angle in degrees and temperature in °C for each packet."""

    def at(values: FloatArray, hours: FloatArray = sent) -> FloatArray:
        return np.asarray(np.interp(hours, course.time_h, values))

    seen = trouble.foam + trouble.lasting + trouble.swell - course.fallen_points
    gravity, rate, warmth = recipe.original_sg + at(seen) / 1000.0, at(course.rate), at(course.temperature_c)
    felt = warmth.copy()
    for start, end in trouble.stuck:
        held = (sent >= start) & (sent < end)
        # On the wall it neither sways nor minds the beer's temperature.
        felt[held] = at(course.temperature_c, np.array([start]))[0]
        gravity[held] -= at(trouble.swell)[held] / 1000.0
        rate = np.where(held, 0.06 * rate, rate)
    angle = _angles(body, gravity, felt, rate, rng)
    shown = warmth + rng.normal(0.0, 0.25) + rng.normal(0.0, 0.06, size=sent.size)
    absurd = rng.random(sent.size) < float(np.exp(rng.uniform(np.log(0.0002), np.log(0.008))))
    angle = np.where(absurd, rng.choice([0.0, 90.0, 180.0, float("nan")], size=sent.size), angle)
    shown = np.where(np.isnan(angle), 85.0, shown)  # what a thermometer says that has not measured yet
    angle = np.where(np.isnan(angle), body.angle_deg(gravity, felt), angle)
    if rng.random() < 0.15:  # it still lies on the shelf
        few = int(rng.integers(1, 7))
        angle[:few], shown[:few] = rng.uniform(80.0, 92.0, angle[:few].size), 19.0 + rng.normal(0.0, 1.0)
    return angle, shown


def _lost(sent: FloatArray, rng: np.random.Generator) -> tuple[NDArray[np.bool_], FloatArray]:
    """Which packets were never heard, and when the others arrived, hours since pitching; (n,) each."""
    end = float(sent[-1])
    lost = rng.random(sent.size) < float(np.exp(rng.uniform(np.log(0.01), np.log(0.35))))
    arrived = sent + 0.0005
    for _ in range(int(rng.poisson(0.9))):
        start, hours = float(rng.uniform(0.0, end)), float(rng.uniform(0.7, 5.5))
        out = (sent >= start) & (sent < start + hours)
        if rng.random() < 0.35:
            arrived[out] = start + hours  # kept meanwhile, and sent all at once
        else:
            lost |= out
    if rng.random() < 0.15:
        start, hours = float(rng.uniform(0.03, 0.9)) * end, float(rng.uniform(6.5, 40.0))
        lost |= (sent >= start) & (sent < start + hours)
    if rng.random() < 0.3:
        late = rng.random(sent.size) < 0.015
        arrived = arrived + late * rng.exponential(0.7, size=sent.size)
    return lost, arrived


def receive(recipe: Recipe, course: Course, trouble: Disturbance, body: FloatBody, rng: np.random.Generator) -> Record:
    """Measure, send and receive one brew."""
    end = float(course.time_h[-1])
    battery = _battery(end, rng)
    dies = battery.hour_at(0.0)
    if trouble.leak_h is not None and rng.random() < 0.6:
        dies = min(dies, trouble.leak_h + float(rng.uniform(20.0, 90.0)))
    sent = _sent_h(course, dies, rng)
    angle, shown = _readings(recipe, course, trouble, body, sent, rng=rng)
    lost, arrived = _lost(sent, rng)
    digits, signal = int(rng.integers(1, 4)), float(rng.uniform(-88.0, -55.0))
    has_signal, twice = bool(rng.random() < 0.8), float(rng.uniform(0.003, 0.03)) if rng.random() < 0.4 else 0.0
    packets = []
    for i in np.flatnonzero(~lost & (arrived <= end)):
        packet = Packet(
            arrived_h=float(arrived[i]),
            time_h=float(sent[i]),
            angle_deg=round(float(angle[i]), digits),
            temperature_c=round(float(shown[i]), 1),
            battery_v=round(battery.volts(float(sent[i]), rng), 2) if battery.reported else None,
            rssi_dbm=round(signal + float(rng.normal(0.0, 3.0))) if has_signal else None,
        )
        packets += [packet, packet] if rng.random() < twice else [packet]
    low_h = battery.hour_at(LOW_CHARGE)
    told = battery.reported and low_h < min(end, dies)
    packets.sort(key=lambda packet: packet.arrived_h)  # stable: those kept meanwhile stay in their order
    return Record(packets=tuple(packets), battery_low_h=round(low_h, 2) if told else None)
