"""The regression under a flat prior against certified results, and under the float's prior against exact arithmetic."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.polynomial import legendre

from calibration.regression import Points, Posterior, Prior, fit_posterior, mix
from gylewatch.units import FloatArray

# NIST Statistical Reference Datasets, linear regression. Observations from memory; that the certified coefficients come
# out to the digits asked below shows that they are remembered rightly.
NORRIS_X = [
    *(0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5),
    *(11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1),
    *(448.9, 0.5),
]
NORRIS_Y = [
    *(0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9),
    *(10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4),
    *(449.2, 0.2),
]
NORRIS_CERTIFIED = [-0.262323073774029, 1.00211681802045]
PONTIUS_X = 2 * [150_000.0 * step for step in range(1, 21)]
PONTIUS_Y = [
    *(0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146),
    *(1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844),
    *(0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300, 1.09150),
    *(1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829),
]
PONTIUS_CERTIFIED = [0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14]


def flat(degree: int) -> Prior:
    """So wide up to `degree`, and so narrow beyond, that the fit is least squares."""
    bends = [10.0 if k <= degree else 1e-9 for k in (2, 3, 4)]
    return Prior(
        bend_sd=((bends[0], bends[1], bends[2]),),
        weights=(1.0,),
        degrees=(degree,),
        level_sd_sg=100.0,
        slope_sd_sg=100.0,
    )


def points_of(x: Sequence[float], y: Sequence[float], sd: float) -> Points:
    n = len(x)
    return Points(
        angle_deg=np.array(x),
        gravity_sg=np.array(y),
        angle_sd_deg=np.zeros(n),
        gravity_sd_sg=np.full(n, sd),
        log_scale_sd=0.3,
    )


def in_powers(coefficients: FloatArray, low: float, high: float) -> FloatArray:
    series = legendre.Legendre(coefficients, domain=[low, high])
    return np.array(series.convert(kind=np.polynomial.Polynomial).coef, dtype=np.float64)


@pytest.mark.parametrize(
    ("x", "y", "certified", "residual_sd"),
    [
        (NORRIS_X, NORRIS_Y, NORRIS_CERTIFIED, 0.884796396144373),
        (PONTIUS_X, PONTIUS_Y, PONTIUS_CERTIFIED, 0.205177424076185e-3),
    ],
    ids=["Norris", "Pontius"],
)
def test_certified_coefficients_come_out(
    x: list[float], y: list[float], certified: list[float], residual_sd: float
) -> None:
    scale = max(y)  # gravity is of the order of one
    points = points_of(x, [value / scale for value in y], residual_sd / scale)
    degree = len(certified) - 1

    mean = fit_posterior(points, points.range_deg(), flat(degree)).mean

    found = in_powers(mean[: degree + 1], *points.range_deg()) * scale
    assert found == pytest.approx(certified, rel=1e-7)
    assert mean[degree + 1 :] == pytest.approx(np.zeros(4 - degree), abs=1e-9)


@pytest.mark.parametrize("degree", [1, 2, 3, 4])
def test_a_flat_prior_gives_weighted_least_squares(degree: int) -> None:
    rng = np.random.default_rng(degree)
    x, sd = np.linspace(20.0, 70.0, 15), rng.uniform(0.0005, 0.002, 15)
    y = 1.0 + 0.002 * (x - 20.0) + rng.normal(0.0, sd)
    points = Points(angle_deg=x, gravity_sg=y, angle_sd_deg=np.zeros(15), gravity_sd_sg=sd, log_scale_sd=0.3)

    mean = fit_posterior(points, (20.0, 70.0), flat(degree)).mean

    referee = legendre.Legendre.fit(x, y, degree, domain=[20.0, 70.0], w=1.0 / sd).coef
    assert mean[: degree + 1] == pytest.approx(referee, abs=2e-7)


def test_angle_errors_count_through_the_slope() -> None:
    x = np.linspace(20.0, 70.0, 6)
    exact = points_of(x.tolist(), (1.0 + 0.002 * (x - 20.0)).tolist(), 0.001)
    shaken = Points(
        angle_deg=x,
        gravity_sg=exact.gravity_sg,
        angle_sd_deg=np.full(6, 0.5),  # times 0.002 SG per degree: as much again as the gravity's own error
        gravity_sd_sg=np.full(6, 0.001),
        log_scale_sd=0.3,
    )

    narrow, wide = (float(fit_posterior(p, (20.0, 70.0)).covariance[0, 0]) for p in (exact, shaken))

    assert wide / narrow == pytest.approx(2.0, rel=0.1)


def test_the_robust_slope_shrugs_off_one_wild_point() -> None:
    x = [20.0, 30.0, 40.0, 50.0, 60.0]

    assert points_of(x, [1.0, 1.02, 1.9, 1.06, 1.08], 0.001).slope_sg_per_deg == pytest.approx(0.002, rel=1e-6)


def test_a_mixture_is_as_wide_as_what_it_mixes_lies_apart() -> None:
    here, there = (
        Posterior(mean=np.full(5, centre), covariance=np.eye(5) * 4.0, degree_weights=np.array([1.0, 0.0, 0.0]))
        for centre in (0.0, 10.0)
    )

    mixed = mix([(0.25, here), (0.75, there)])

    # Law of total variance by hand: 4 + 0.25 * 0.75 * 10² = 22.75.
    assert mixed.mean.tolist() == [7.5] * 5
    assert mixed.covariance[0, 0] == pytest.approx(22.75)
    assert mixed.covariance[0, 1] == pytest.approx(18.75)
