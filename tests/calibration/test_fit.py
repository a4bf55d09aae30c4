"""The fit: refusals, monotony, blunders, and agreement with referees outside the project."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.expansion import wort_expansion_ratio
from calibration.fit import fit_curve
from gylewatch.errors import CalibrationError
from gylewatch.values import FloatId, Reference
from tests.calibration.simulated_floats import SimulatedFloat, draw_float, measure
from tests.simulator import floats

HERON = SimulatedFloat(shape=1, bend=0.5, angle_deg=(25.0, 68.0), gravity_sg=(1.0, 1.1))
Z_80_PERCENT = 1.2815515655446004  # normal deviate of 90 %


def references(angles: Sequence[float], gravities: Sequence[float], temperature_c: float = 20.0) -> list[Reference]:
    return [
        Reference(float_id=FloatId("heron"), angle_deg=angle, gravity_sg=gravity, temperature_c=temperature_c)
        for angle, gravity in zip(angles, gravities, strict=True)
    ]


def shifted(points: list[Reference], place: int, points_off: float) -> list[Reference]:
    moved = replace(points[place], gravity_sg=points[place].gravity_sg + points_off / 1000)
    return [*points[:place], moved, *points[place + 1 :]]


@pytest.mark.parametrize(
    ("angles", "gravities", "why"),
    [
        ([], [], "0 reference points"),
        ([30.0], [1.0], "1 reference point "),
        ([30.0, 60.0], [1.0, 1.1], "2 reference points"),
        ([30.0, 30.0, 30.0], [1.0, 1.05, 1.1], "1 distinct angle;"),
        ([30.0, 30.0, 60.0], [1.0, 1.001, 1.1], "2 distinct angles"),
        ([30.0, 45.0, 45.0, 60.0], [1.0, 1.03, 1.06, 1.1], "points 2 and 3 lie at the same angle, 45°"),
        ([30.0, 45.0, 60.0], [1.0, 1.1, 1.05], "from 45° to 60°"),
        ([30.0, 45.0, 60.0], [1.0, 1.0, 1.0], "do not change in gravity"),
        ([30.0, 40.0, 50.0, 60.0], [1.0500, 1.0502, 1.0501, 1.0503], "by 0.3 points in all"),
        ([40.0, 40.000001, 40.000002, 40.000003], [1.0, 1.02, 1.05, 1.1], "lie within 3e-06 degrees"),
        (np.linspace(20.0, 70.0, 61).tolist(), np.linspace(1.0, 1.1, 61).tolist(), "61 reference points are more than"),
        ([25.0, 45.0, 65.0], [1.0, 1.005, 1.1], "most likely the point at 45°"),
        ([25.0, 35.0, 45.0, 55.0, 65.0], [1.0, 1.08, 1.02, 1.10, 1.04], "not in order"),
    ],
)
def test_points_that_bear_no_curve_are_refused_in_one_sentence(
    angles: list[float], gravities: list[float], why: str
) -> None:
    with pytest.raises(CalibrationError, match=why) as refused:
        fit_curve(references(angles, gravities))

    assert "\n" not in str(refused.value)


def test_points_of_two_floats_are_refused() -> None:
    points = references([25.0, 45.0, 65.0], [1.0, 1.05, 1.1])
    points[1] = replace(points[1], float_id=FloatId("curlew"))

    with pytest.raises(CalibrationError, match="several floats"):
        fit_curve(points)


@pytest.mark.parametrize("place", [1, 2, 3, 4])
@pytest.mark.parametrize("points_off", [20.0, -20.0])
def test_a_point_20_points_off_is_found_named_and_not_used(place: int, points_off: float) -> None:
    points = measure(HERON, 6, np.random.default_rng(3))
    clean = fit_curve([*points[:place], *points[place + 1 :]])

    curve = fit_curve(shifted(points, place, points_off))

    assert curve.excluded == (place,)
    assert f"point {place + 1}" in curve.excluded_reasons[0]
    assert abs(curve.residuals_sg[place]) == pytest.approx(0.020, abs=0.004)
    angles = np.linspace(27.0, 66.0, 9)
    assert curve.evaluate(angles)[0] == pytest.approx(clean.evaluate(angles)[0], abs=5e-4)


def test_residuals_are_the_distance_of_every_point_from_the_curve() -> None:
    points = shifted(measure(HERON, 7, np.random.default_rng(3)), 6, -20.0)  # the last: beyond what the others span

    curve = fit_curve(points)

    gravity, _ = curve.evaluate(np.array([p.angle_deg for p in points]))
    assert curve.excluded == (6,)
    assert curve.residuals_sg == pytest.approx([p.gravity_sg for p in points] - gravity, abs=1e-9)


@pytest.mark.parametrize("place", [1, 2])
def test_a_blunder_among_four_points_is_found(place: int) -> None:
    points = measure(HERON, 4, np.random.default_rng(5))

    assert fit_curve(shifted(points, place, 20.0)).excluded == (place,)


def test_two_blunders_among_eight_points_are_found() -> None:
    points = measure(HERON, 8, np.random.default_rng(5))

    curve = fit_curve(shifted(shifted(points, 2, 25.0), 5, -20.0))

    assert curve.excluded == (2, 5)


def test_where_it_is_unclear_which_point_is_wrong_the_interval_is_wide() -> None:
    straight = references([25.0, 39.0, 53.0, 67.0], [1.0, 1.033, 1.067, 1.1])
    doubtful = shifted(straight, 3, 20.0)
    angles = np.array([46.0])

    assert fit_curve(doubtful).evaluate(angles)[1] > 1.5 * fit_curve(straight).evaluate(angles)[1]


def test_sound_points_are_all_used() -> None:
    rng = np.random.default_rng(11)

    excluded = [fit_curve(measure(draw_float(rng), int(rng.integers(4, 8)), rng)).excluded for _ in range(60)]

    assert sum(bool(one) for one in excluded) <= 1


@given(st.integers(0, 100_000), st.integers(3, 8), st.floats(0.05, 1.0), st.floats(0.0002, 0.004))
@settings(max_examples=60, deadline=None)
def test_every_curve_is_strictly_monotone_over_its_range(
    seed: int, count: int, angle_sd_deg: float, gravity_sd_sg: float
) -> None:
    rng = np.random.default_rng(seed)
    points = measure(draw_float(rng), count, rng, angle_sd_deg=angle_sd_deg, gravity_sd_sg=gravity_sd_sg)
    try:
        curve = fit_curve(points)
    except CalibrationError:
        return

    gravity, _ = curve.evaluate(np.linspace(curve.angle_low_deg, curve.angle_high_deg, 400))

    assert bool(np.all(np.diff(gravity) > 0)) or bool(np.all(np.diff(gravity) < 0))


def test_the_order_of_the_points_does_not_matter() -> None:
    points = measure(HERON, 6, np.random.default_rng(2))
    angles = np.linspace(20.0, 75.0, 12)

    forward, backward = fit_curve(points), fit_curve(points[::-1])

    assert backward.evaluate(angles)[0] == pytest.approx(forward.evaluate(angles)[0], abs=1e-9)
    assert backward.evaluate(angles)[1] == pytest.approx(forward.evaluate(angles)[1], rel=1e-5)


def test_a_float_that_stands_up_as_gravity_rises_is_calibrated_too() -> None:
    curve = fit_curve(references([65.0, 55.0, 45.0, 35.0, 25.0], [1.0, 1.026, 1.051, 1.077, 1.1]))

    assert curve.evaluate(np.array([50.0]))[0][0] == pytest.approx(1.0385, abs=0.001)
    assert bool(np.all(np.diff(curve.evaluate(np.linspace(20.0, 70.0, 60))[0]) < 0))


def test_the_degree_never_exceeds_what_the_points_bear() -> None:
    rng = np.random.default_rng(4)

    for count, most in ((3, 2), (4, 2), (5, 3), (7, 3)):
        assert all(fit_curve(measure(draw_float(rng), count, rng)).degree <= most for _ in range(20))


def test_a_straight_float_gets_a_line_and_a_bent_one_does_not() -> None:
    angles = np.linspace(25.0, 65.0, 7)
    straight = references(angles.tolist(), np.linspace(1.0, 1.1, 7).tolist())
    bent = references(angles.tolist(), (1.0 + 0.1 * np.linspace(0.0, 1.0, 7) ** 1.5).tolist())

    assert fit_curve(straight).degree == 1
    assert fit_curve(bent).degree >= 2


def test_a_reference_is_taken_at_the_density_of_its_own_temperature() -> None:
    angles, gravities = [25.0, 38.0, 52.0, 65.0], [1.0, 1.035, 1.07, 1.1]
    warm = fit_curve(references(angles, gravities, temperature_c=30.0))

    # ICUMSA SPS-4: water at 30 °C over water at 20 °C is 0.997437.
    assert warm.evaluate(np.array([25.0]))[0][0] == pytest.approx(0.99744, abs=3e-4)
    # What a float shows in that same solution at that temperature is the solution's gravity.
    felt = 1.07 * wort_expansion_ratio(1.07, 30.0)
    assert warm.evaluate(np.array([52.0]))[0][0] == pytest.approx(felt, abs=4e-4)


def test_noisier_points_give_a_wider_interval() -> None:
    quiet, noisy = (
        fit_curve(
            [replace(p, angle_sd_deg=sd, gravity_sd_sg=0.0005) for p in measure(HERON, 5, np.random.default_rng(8))]
        )
        for sd in (0.1, 0.6)
    )

    assert noisy.evaluate(np.array([45.0]))[1] > 1.5 * quiet.evaluate(np.array([45.0]))[1]


def test_a_fit_of_many_points_agrees_with_orthogonal_distance_regression() -> None:
    odr = pytest.importorskip("scipy.odr")
    points = measure(HERON, 25, np.random.default_rng(6), angle_sd_deg=0.3, gravity_sd_sg=0.0006)
    measured = odr.RealData(
        [p.angle_deg for p in points], [p.gravity_sg for p in points], sx=[0.3] * 25, sy=[0.0006] * 25
    )

    referee = odr.ODR(measured, odr.polynomial(2), beta0=[0.95, 0.002, 0.0]).run().beta

    angles = np.linspace(27.0, 66.0, 15)
    gravity, sd = fit_curve(points).evaluate(angles)
    assert bool(np.all(np.abs(gravity - np.polyval(referee[::-1], angles)) < 1.5 * sd))
    assert float(sd.max()) < 0.001


def test_intervals_of_three_to_seven_points_cover_what_they_promise() -> None:
    rng = np.random.default_rng(2026)
    hits: list[float] = []
    for _ in range(250):
        tilt = draw_float(rng)
        points = measure(
            tilt,
            int(rng.integers(3, 8)),
            rng,
            angle_sd_deg=float(rng.uniform(0.08, 0.35)),
            gravity_sd_sg=float(rng.uniform(0.0003, 0.0012)),
            stated=bool(rng.integers(2)),
        )
        curve = fit_curve(points)
        angles = rng.uniform(curve.angle_low_deg, curve.angle_high_deg, 10)
        gravity, sd = curve.evaluate(angles)
        hits.append(float(np.mean(np.abs(gravity - tilt.gravity_at(angles)) < Z_80_PERCENT * sd)))

    # 76 to 84 % is asked of 2,000 floats (benchmarks/calibration.py); 250 floats scatter by 2 % more either way.
    assert 0.74 < float(np.mean(hits)) < 0.87


def test_a_float_whose_law_bends_both_ways_is_followed_through_six_or_seven_solutions() -> None:
    gravity = np.linspace(1.006, 1.066, 25)
    warmth = np.full(gravity.size, 20.0)
    off_points = []
    for seed in range(150):
        rng = np.random.default_rng(seed)
        tilting = floats.draw_float(rng)
        taken = floats.draw_references(tilting, FloatId("heron"), rng, is_blundered=False)
        if len(taken) >= 6:
            found, _ = fit_curve(taken).evaluate(tilting.angle_deg(gravity, warmth))
            off_points.append(1000.0 * np.abs(found - gravity).mean())

    # Solutions good to 0.2 to 1 point give a curve good to a third of a point; while only single bends were believed, a
    # tenth of the floats was off by 1.5 points.
    assert len(off_points) > 40
    assert np.median(off_points) < 0.5
    assert np.quantile(off_points, 0.9) < 1.1
