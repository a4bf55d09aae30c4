"""The float beside a hand sample."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from calibration.anchoring import AROUND, anchor, shown_by_float
from calibration.density import sucrose_density
from calibration.fit import fit_curve
from calibration.hydrometry import HandGravity
from calibration.solution import sucrose_fraction
from gylewatch.values import FloatId, Instrument, Reading
from tests.calibration.simulated_floats import SimulatedFloat, measure

DRAWN = datetime(2026, 3, 5, 8, tzinfo=UTC)
HAND = HandGravity(time=DRAWN, gravity_sg=1.03, sd_sg=0.001, instrument=Instrument.HYDROMETER, note="")
HERON = SimulatedFloat(shape=1, bend=0.5, angle_deg=(25.0, 68.0), gravity_sg=(1.0, 1.1))


def reading(minutes: float, angle_deg: float, temperature_c: float = 19.0) -> Reading:
    time = DRAWN + timedelta(minutes=minutes)
    return Reading(time=time, float_id=FloatId("heron"), angle_deg=angle_deg, temperature_c=temperature_c)


def test_readings_around_the_sample_count_and_one_knock_does_not() -> None:
    readings = [reading(-300, 60.0), reading(-15, 40.0), reading(0, 41.0), reading(15, 75.0), reading(300, 20.0)]

    beside = anchor(HAND, readings)

    assert beside is not None
    assert beside.angle_deg == 41.0
    assert beside.temperature_c == pytest.approx(19.0)
    assert (beside.gravity_sg, beside.sd_sg) == (1.03, 0.001)


def test_a_silent_float_stands_beside_nothing() -> None:
    assert anchor(HAND, [reading(AROUND / timedelta(minutes=1) + 1, 40.0)]) is None


def test_the_float_alone_says_the_gravity_of_the_liquid_at_20_degrees() -> None:
    # Unfermented 1.060 at 10 °C: by the published sucrose densities it is denser there, and must be reported as 1.060.
    curve = fit_curve(measure(HERON, 7, np.random.default_rng(1), angle_sd_deg=0.01, gravity_sd_sg=0.0001))
    fraction = sucrose_fraction(1.06)
    felt = 1.06 * sucrose_density(fraction, 10.0) / sucrose_density(fraction, 20.0)
    beside = anchor(HAND, [reading(0, HERON.angle_at(felt), 10.0)])
    assert beside is not None

    gravity, sd = shown_by_float(curve, beside, original_gravity_sg=1.06)

    assert gravity == pytest.approx(1.06, abs=5e-4)
    assert sd > 0.001
