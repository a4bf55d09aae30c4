"""Recalibration by hand samples and the check in plain water."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from calibration.curve import Curve
from calibration.fit import fit_curve
from calibration.recalibrate import SUSPECT_SIGMA, Anchor, check_in_water, disagreement_sigma, recalibrate
from gylewatch.errors import CalibrationError
from tests.calibration.simulated_floats import SimulatedFloat, measure

HERON = SimulatedFloat(shape=1, bend=0.5, angle_deg=(25.0, 68.0), gravity_sg=(1.0, 1.1))


@pytest.fixture
def curve() -> Curve:
    return fit_curve(measure(HERON, 6, np.random.default_rng(1), angle_sd_deg=0.1, gravity_sd_sg=0.0003))


def anchor(gravity_sg: float, *, off_points: float = 0.0, sd_sg: float = 0.001) -> Anchor:
    """A sample of a beer at 20 °C in which the float showed `off_points` less than the sample says."""
    return Anchor(
        time=datetime(2026, 3, 5, 8, tzinfo=UTC),
        angle_deg=HERON.angle_at(gravity_sg),
        temperature_c=20.0,
        gravity_sg=gravity_sg + off_points / 1000,
        sd_sg=sd_sg,
    )


def test_samples_that_agree_leave_the_curve_where_it_is(curve: Curve) -> None:
    anchors = [anchor(g) for g in (1.05, 1.03, 1.012)]

    updated = recalibrate(curve, anchors, original_gravity_sg=1.055)

    assert abs(updated.shift_points) < 0.6
    assert updated.disagreement_sigma < 1.0
    assert updated.suspects == ()


def test_samples_that_all_lie_four_points_up_shift_the_curve_by_most_of_it(curve: Curve) -> None:
    anchors = [anchor(g, off_points=4.0) for g in (1.05, 1.04, 1.03, 1.02, 1.012)]

    updated = recalibrate(curve, anchors, original_gravity_sg=1.055)

    assert 2.5 < updated.shift_points < 4.2
    assert updated.disagreement_sigma > SUSPECT_SIGMA


def test_one_sample_shifts_and_samples_over_the_range_also_tilt(curve: Curve) -> None:
    one = recalibrate(curve, [anchor(1.06, off_points=3.0)], original_gravity_sg=1.09)
    spread = [anchor(g, off_points=100 * (g - 1.05) + 1.0) for g in (1.085, 1.07, 1.05, 1.03, 1.01)]

    tilted = recalibrate(curve, spread, original_gravity_sg=1.09)

    assert abs(one.tilt_points) < 0.3 * one.shift_points
    assert tilted.tilt_points > 0.8


def test_a_bad_sample_among_good_ones_does_little(curve: Curve) -> None:
    good = [anchor(g) for g in (1.05, 1.03, 1.012)]

    with_bad = recalibrate(curve, [*good, anchor(1.02, off_points=20.0)], original_gravity_sg=1.055)

    without = recalibrate(curve, good, original_gravity_sg=1.055)
    assert with_bad.suspects == (3,)
    assert with_bad.shift_points == pytest.approx(without.shift_points, abs=0.3)


def test_a_lone_absurd_sample_moves_the_curve_less_than_a_plausible_one(curve: Curve) -> None:
    plausible, absurd = (
        recalibrate(curve, [anchor(1.03, off_points=off)], original_gravity_sg=1.055).shift_points
        for off in (4.0, 30.0)
    )

    assert 0 < absurd < plausible


def test_the_disagreement_is_that_of_the_old_curve(curve: Curve) -> None:
    anchors = [anchor(1.03, off_points=6.0), anchor(1.02, off_points=6.0)]

    updated = recalibrate(curve, anchors, original_gravity_sg=1.055)

    assert disagreement_sigma(curve, anchors, original_gravity_sg=1.055) == updated.disagreement_sigma
    assert disagreement_sigma(updated.curve, anchors, original_gravity_sg=1.055) < updated.disagreement_sigma / 2
    assert disagreement_sigma(curve, [], original_gravity_sg=1.055) == 0.0


def test_the_old_curve_is_not_changed(curve: Curve) -> None:
    before = curve.to_json()

    recalibrate(curve, [anchor(1.03, off_points=5.0)], original_gravity_sg=1.055)

    assert curve.to_json() == before


def test_no_sample_is_refused(curve: Curve) -> None:
    with pytest.raises(CalibrationError, match="no hand sample"):
        recalibrate(curve, [], original_gravity_sg=1.055)


@pytest.mark.parametrize("temperature_c", [5.0, 20.0, 30.0])
def test_a_sound_float_agrees_with_water_at_any_temperature(curve: Curve, temperature_c: float) -> None:
    # Water over water at 20 °C: Tanaka et al., Metrologia 38, 2001, table of water densities beside these tests.
    ratio = {5.0: 1.001763, 20.0: 1.0, 30.0: 0.997437}[temperature_c]

    checked = check_in_water(curve, angle_deg=HERON.angle_at(ratio), temperature_c=temperature_c)

    assert checked.agrees
    assert checked.expected_sg == pytest.approx(ratio, abs=2e-6)
    assert "within" in checked.verdict


def test_a_float_that_shows_water_five_points_up_is_to_be_calibrated_anew(curve: Curve) -> None:
    checked = check_in_water(curve, angle_deg=HERON.angle_at(1.005), temperature_c=20.0)

    assert not checked.agrees
    assert checked.off_points == pytest.approx(5.0, abs=0.6)
    assert "calibrate it anew" in checked.verdict


def test_boiling_water_is_no_check(curve: Curve) -> None:
    with pytest.raises(CalibrationError, match="between 0 and 40"):
        check_in_water(curve, angle_deg=25.0, temperature_c=95.0)
