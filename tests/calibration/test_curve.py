"""Curve and the gravity of a reading: range, tangent, widening, temperature, JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial import legendre

from calibration.curve import Curve, gravity_reading
from calibration.expansion import expansion_ratio
from calibration.fit import fit_curve
from gylewatch.errors import CalibrationError
from gylewatch.values import FloatId, Reading
from tests.calibration.simulated_floats import SimulatedFloat, draw_float, measure

HERON = SimulatedFloat(shape=1, bend=0.5, angle_deg=(25.0, 65.0), gravity_sg=(1.0, 1.1))


def curve_of(count: int = 5, seed: int = 1) -> Curve:
    return fit_curve(measure(HERON, count, np.random.default_rng(seed)))


def reading(angle_deg: float, temperature_c: float = 20.0, acceleration_g: float | None = None) -> Reading:
    return Reading(
        time=datetime(2026, 3, 2, 18, tzinfo=UTC),
        float_id=FloatId("heron"),
        angle_deg=angle_deg,
        temperature_c=temperature_c,
        acceleration_g=acceleration_g,
    )


def test_a_curves_value_and_interval_are_the_legendre_sum_and_its_covariance() -> None:
    curve = curve_of()
    angles = np.linspace(curve.angle_low_deg, curve.angle_high_deg, 11)
    x = (2 * angles - curve.angle_low_deg - curve.angle_high_deg) / (curve.angle_high_deg - curve.angle_low_deg)

    gravity, sd = curve.evaluate(angles)

    assert gravity == pytest.approx(legendre.legval(x, np.array(curve.coefficients)), abs=1e-12)
    rows = legendre.legvander(x, 4)
    assert sd == pytest.approx(np.sqrt(np.diag(rows @ np.array(curve.covariance) @ rows.T)), rel=1e-6)


def test_beyond_the_range_the_curve_goes_on_straight_and_its_interval_widens() -> None:
    curve = curve_of()
    beyond = curve.angle_high_deg + np.array([0.0, 3.0, 6.0, 9.0, 12.0])

    gravity, sd = curve.evaluate(beyond)

    assert np.diff(gravity, 2) == pytest.approx(np.zeros(3), abs=1e-12)
    assert bool(np.all(np.diff(gravity) > 0))
    assert bool(np.all(np.diff(sd) > 0))
    assert sd[-1] > 3 * sd[0]


def test_a_reading_beyond_the_range_is_flagged_and_agrees_with_the_vector_form() -> None:
    curve = curve_of()

    for angle in (curve.angle_low_deg - 7.0, curve.angle_high_deg + 7.0):
        gravity = gravity_reading(curve, reading(angle), original_gravity_sg=1.050)
        value, sd = curve.evaluate(np.array([angle]))

        assert not gravity.in_range
        assert gravity.gravity_sg == pytest.approx(float(value[0]), abs=1e-9)  # at 20 °C nothing to correct
        assert gravity.sd_sg == pytest.approx(float(sd[0]), rel=1e-6)


@given(st.floats(18.0, 75.0))
@settings(max_examples=50)
def test_the_modes_of_a_reading_carry_its_uncertainty(angle: float) -> None:
    curve = curve_of()

    gravity = gravity_reading(curve, reading(angle), original_gravity_sg=1.050)

    assert len(gravity.modes_sg) <= 5
    assert np.hypot.reduce(gravity.modes_sg) == pytest.approx(gravity.sd_sg, rel=1e-3)


def test_the_modes_go_on_smoothly_beyond_the_range() -> None:
    curve = curve_of()
    for edge in (curve.angle_low_deg, curve.angle_high_deg):
        inside, outside = (
            gravity_reading(curve, reading(edge + step), original_gravity_sg=1.050).modes_sg for step in (-1e-6, 1e-6)
        )

        assert outside == pytest.approx(inside, abs=1e-8)


def test_every_reading_of_one_curve_has_as_many_modes() -> None:
    curve = curve_of()

    counts = {len(gravity_reading(curve, reading(a), original_gravity_sg=None).modes_sg) for a in (10.0, 40.0, 90.0)}

    assert len(counts) == 1


def test_the_slope_of_a_reading_is_that_between_its_neighbours() -> None:
    curve = curve_of()

    below, here, above = (gravity_reading(curve, reading(a), original_gravity_sg=1.050) for a in (39.9, 40.0, 40.1))

    assert here.slope_sg_per_deg == pytest.approx((above.gravity_sg - below.gravity_sg) / 0.2, rel=1e-4)


def test_a_cold_crash_does_not_look_like_a_rise() -> None:
    curve = curve_of(7)
    finished, original = 1.012, 1.055

    shown = [
        gravity_reading(
            curve,
            reading(HERON.angle_at(finished * expansion_ratio(finished, t, original)), t),
            original_gravity_sg=original,
        ).gravity_sg
        for t in (20.0, 12.0, 4.0)
    ]

    # Uncorrected, 4 °C would show 2.3 points more; what is left is the curve's own bend between the angles.
    assert max(shown) - min(shown) < 0.0004


@pytest.mark.parametrize(("acceleration_g", "moving"), [(None, False), (1.03, False), (1.2, True), (0.7, True)])
def test_an_acceleration_away_from_gravity_means_moving(acceleration_g: float | None, moving: bool) -> None:
    shown = gravity_reading(curve_of(), reading(40.0, acceleration_g=acceleration_g), original_gravity_sg=1.05)

    assert shown.moving is moving


def test_a_temperature_beyond_the_expansion_is_flagged() -> None:
    assert not gravity_reading(curve_of(), reading(40.0, 80.0), original_gravity_sg=1.05).in_range


@given(st.integers(0, 10_000), st.integers(3, 7))
@settings(max_examples=40, deadline=None)
def test_a_curve_survives_json(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    try:
        curve = fit_curve(measure(draw_float(rng), count, rng))
    except CalibrationError:
        return

    assert Curve.from_json(json.loads(json.dumps(curve.to_json()))) == curve


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"format": "other"}, "format"),
        ({"coefficients": None}, "cannot be used"),
        ({"coefficients": [1.0, 0.05]}, "5 coefficients"),
        ({"coefficients": [1.05, float("nan"), 0.0, 0.0, 0.0]}, "finite"),
        ({"coefficients": [1.05, 0.01, 0.05, 0.0, 0.0]}, "rise"),
        ({"angle_low_deg": 90.0}, "below"),
        ({"float": "no name!"}, "name"),
        ({"residual_sd_sg": -1.0}, "negative"),
        ({"covariance": [[0.0] * 4] * 5}, "square"),
        ({"excluded": [1]}, "reason"),
    ],
)
def test_a_file_that_is_no_usable_curve_is_refused(change: dict[str, object], why: str) -> None:
    document = curve_of().to_json() | change

    with pytest.raises(CalibrationError, match=why):
        Curve.from_json(document)


def test_a_file_that_lacks_a_key_names_it() -> None:
    document = curve_of().to_json()
    del document["degree"]

    with pytest.raises(CalibrationError, match="'degree'"):
        Curve.from_json(document)


@pytest.mark.parametrize("document", [[], "curve", None, 7])
def test_a_file_that_is_no_object_is_refused(document: object) -> None:
    with pytest.raises(CalibrationError, match="not a curve"):
        Curve.from_json(document)  # type: ignore[arg-type]


def test_a_curve_that_turns_back_cannot_be_made() -> None:
    with pytest.raises(ValueError, match="rise"):
        replace(curve_of(), coefficients=(1.05, 0.01, 0.05, 0.0, 0.0))
