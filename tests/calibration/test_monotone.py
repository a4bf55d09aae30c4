"""The constraint that a curve always rises, or always falls."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import legendre

from calibration.monotone import monotone_posterior
from gylewatch.units import FloatArray


def slopes(coefficients: FloatArray) -> FloatArray:
    return np.asarray(legendre.legval(np.linspace(-1.0, 1.0, 501), legendre.legder(coefficients)))


def test_a_rising_curve_is_left_alone() -> None:
    mean, covariance = np.array([1.05, 0.05, 0.005, 0.0, 0.0]), np.eye(5) * 1e-6

    moved, spread = monotone_posterior(mean, covariance)

    assert moved.tolist() == mean.tolist()
    assert spread.tolist() == covariance.tolist()


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_curve_that_turns_back_is_bent_until_it_does_not(sign: float) -> None:
    mean = np.array([1.05, sign * 0.05, 0.022, 0.0, 0.0])  # its slope changes sign near one edge
    covariance = np.diag([1e-6, 1e-6, 4e-6, 1e-6, 1e-6])
    assert (slopes(mean) * sign).min() < 0

    moved, spread = monotone_posterior(mean, covariance)

    assert (slopes(moved) * sign).min() > 0
    assert bool(np.all(np.diag(spread) >= np.diag(covariance)))


def test_the_bent_curve_is_the_nearest_monotone_one() -> None:
    optimize = pytest.importorskip("scipy.optimize")
    mean, covariance = np.array([1.05, 0.05, 0.022, 0.004, 0.0]), np.diag([1e-6, 2e-6, 4e-6, 1e-6, 1e-6])
    inverse = np.linalg.inv(covariance)
    grid = np.linspace(-1.0, 1.0, 129)
    derivative = np.stack([legendre.legval(grid, legendre.legder(unit)) for unit in np.eye(5)], axis=1)

    referee = optimize.minimize(
        lambda b: 1e-3 * (b - mean) @ inverse @ (b - mean),
        mean,
        jac=lambda b: 2e-3 * inverse @ (b - mean),
        constraints={
            "type": "ineq",
            "fun": lambda b: derivative @ b - 0.05 * b[1],
            "jac": lambda b: derivative - 0.05 * np.eye(5)[1],
        },
        method="SLSQP",
        options={"ftol": 1e-14, "maxiter": 500},
    ).x

    moved, _ = monotone_posterior(mean, covariance)

    assert moved == pytest.approx(referee, abs=2e-5)  # 0.02 points
