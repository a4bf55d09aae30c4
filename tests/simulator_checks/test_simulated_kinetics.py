"""The simulator's curve families against published values and plain arithmetic."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.random import default_rng

from tests.simulator.kinetics import (
    ANDRES_TORO_START,
    FAMILIES,
    andres_toro_1998,
    draw_shape,
    gompertz,
    logistic,
    runge_kutta,
)

ODE_SOLUTION = Path(__file__).with_name("fermentation_ode_check.csv")
STATES = ("x_lag_g_L", "x_active_g_L", "x_bottom_g_L", "sugar_g_L", "ethanol_g_L")


@pytest.mark.parametrize("temperature_c", [8, 10, 12, 14, 16])
def test_the_1998_model_agrees_with_an_independent_solution(temperature_c: int) -> None:
    # The file was solved by LSODA with a relative tolerance of 1e-9 and printed to four decimals.
    with ODE_SOLUTION.open(encoding="utf-8") as file:
        expected = [row for row in csv.DictReader(file) if int(row["T_C"]) == temperature_c]

    states = runge_kutta(andres_toro_1998(temperature_c), ANDRES_TORO_START, 0.5, 400)

    assert len(expected) >= 8
    for row in expected:
        computed = states[round(2 * float(row["t_h"]))]
        assert computed == pytest.approx([float(row[name]) for name in STATES], abs=1e-3), row["t_h"]


def test_the_logistic_has_its_published_check_values() -> None:
    # P0 12.0, Pe 2.5, B 0.10 /h, M 36 h; arithmetic, to four decimals.
    time = np.array([0, 6, 12, 24, 36, 48, 60, 72, 96], dtype=np.float64)

    extract = logistic(time, upper=12.0, lower=2.5, steepness=0.10, middle=36.0)

    expected = [11.7473, 11.5495, 11.2099, 9.8010, 7.2500, 4.6990, 3.2901, 2.7527, 2.5235]
    assert extract == pytest.approx(expected, abs=5e-5)


def test_a_gompertz_curve_is_steepest_after_37_percent_of_the_drop() -> None:
    # Zwietering et al. 1990: greatest rate m at t = L + A/(m e), where y = A/e.
    time = np.linspace(0.0, 100.0, 100_001)

    drop = gompertz(time, total=40.0, greatest_rate=1.2, lag=10.0)

    rate = np.gradient(drop, time)
    steepest = int(np.argmax(rate))
    assert time[steepest] == pytest.approx(10.0 + 40.0 / (1.2 * np.e), abs=0.01)
    assert drop[steepest] == pytest.approx(40.0 / np.e, abs=0.01)
    assert rate[steepest] == pytest.approx(1.2, abs=1e-4)


@pytest.mark.parametrize("family", list(FAMILIES))
def test_every_family_rises_from_none_to_all_with_the_half_where_it_was_asked(family: str) -> None:
    hours = np.linspace(0.0, 800.0, 8001)

    for seed in range(5):
        done = draw_shape(family, default_rng(seed)).stretched(hours, lag_h=12.0, half_h=30.0)

        assert done[0] == pytest.approx(0.0, abs=1e-6)
        assert done[-1] == pytest.approx(1.0, abs=0.01)
        assert np.all(np.diff(done) >= -1e-12)
        # Not exactly 42 h: what the curve would have done before pitching is taken off.
        assert np.interp(0.5, done, hours) == pytest.approx(42.0, abs=8.0)


def test_an_unknown_family_is_refused() -> None:
    with pytest.raises(KeyError):
        draw_shape("straight line", default_rng(0))
