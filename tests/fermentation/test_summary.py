"""Quantiles of the cloud, against an independent library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from fermentation.summary import quantiles


def test_the_quantiles_of_one_normal_distribution_are_those_of_the_tables() -> None:
    low, middle, high = quantiles(np.array([12.0]), np.array([1.5]), np.array([1.0]))

    # z of 10 % and 90 %: 1.28155; the normal integral is taken by a logistic curve, good to 0.01 in probability
    assert low == pytest.approx(12.0 - 1.28155 * 1.5, abs=0.08)
    assert middle == pytest.approx(12.0, abs=1e-6)
    assert high == pytest.approx(12.0 + 1.28155 * 1.5, abs=0.08)


def test_the_quantiles_of_a_mixture_agree_with_its_distribution_function() -> None:
    generator = np.random.default_rng(5)
    mean, sd = generator.normal(20.0, 4.0, 120), generator.uniform(0.3, 2.0, 120)
    weight = generator.dirichlet(np.ones(120))

    got = quantiles(mean, sd, weight)

    for share, value in zip((0.1, 0.5, 0.9), got, strict=True):
        referee = brentq(lambda x, q=share: float(weight @ stats.norm.cdf(x, mean, sd)) - q, 0.0, 40.0)
        assert value == pytest.approx(referee, abs=0.12)
