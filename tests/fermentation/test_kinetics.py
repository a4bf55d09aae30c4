"""The family of fermentation curves, against published forms and their arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from fermentation.kinetics import advance, hours_between, progress, shape_of, speed, temperature_factor

ONE = np.ones(1)

# Four-parameter logistic P(t) = Pe + (P0 - Pe)/(1 + exp(B (t - M))) with P0 = 12, Pe = 2.5, B = 0.1 /h, M = 36 h
# (form: Speers, Rogers and Smith, J. Inst. Brew. 109(3), 229-235, 2003; the values are arithmetic)
LOGISTIC_PLATO = ((0, 11.7473), (12, 11.2099), (24, 9.8010), (36, 7.2500), (48, 4.6990), (72, 2.7527), (96, 2.5235))


@pytest.mark.parametrize(("hours", "plato"), LOGISTIC_PLATO[1:])
def test_equal_exponents_of_one_give_the_logistic_of_the_assay(hours: float, plato: float) -> None:
    at_pitching = np.array([-0.1 * 36.0])

    z, _ = advance(at_pitching, 0.1 * ONE, shape_of(ONE, ONE), hours)

    assert 12.0 - 9.5 * float(progress(z)[0]) == pytest.approx(plato, abs=5e-5)


@pytest.mark.parametrize(("a", "b"), [(1.0, 1.0), (0.6, 1.0), (1.0, 0.5), (0.8, 1.6)])
def test_the_greatest_rate_is_a_quarter_of_k_and_lies_where_the_exponents_say(a: float, b: float) -> None:
    z = np.linspace(-8.0, 8.0, 20_001)
    p = progress(z)

    rate = p * (1.0 - p) * speed(z, 0.1 * np.ones_like(z), shape_of(a * np.ones_like(z), b * np.ones_like(z)))

    assert float(rate.max()) == pytest.approx(0.1 / 4.0, rel=1e-6)
    assert float(p[np.argmax(rate)]) == pytest.approx(a / (a + b), abs=1e-3)


def test_a_curve_as_steep_early_as_gompertz_peaks_where_gompertz_does() -> None:
    # Zwietering et al., Appl. Environ. Microbiol. 56, 1875-1881, 1990: steepest after 1/e of the drop
    a = 1.0 / (np.e - 1.0)

    assert a / (a + 1.0) == pytest.approx(1.0 / np.e)


def test_advancing_agrees_with_an_independent_integrator() -> None:
    a, b, k = 0.7, 1.4, 0.15

    def flow(_: float, p: np.ndarray) -> np.ndarray:
        height = (a / (a + b)) ** a * (b / (a + b)) ** b
        rate: np.ndarray = 0.25 * k * p**a * (1.0 - p) ** b / height
        return rate

    referee = solve_ivp(flow, (0.0, 60.0), [0.01], rtol=1e-10, atol=1e-12).y[0, -1]
    z, _ = advance(np.log(np.array([0.01 / 0.99])), k * ONE, shape_of(a * ONE, b * ONE), 60.0)

    assert float(progress(z)[0]) == pytest.approx(float(referee), abs=2e-4)


def test_the_hours_between_two_places_undo_the_advance() -> None:
    shape = shape_of(np.array([0.7, 1.0, 1.3]), np.array([1.2, 0.8, 1.0]))
    k, start = np.array([0.05, 0.1, 0.3]), np.array([-4.0, -2.0, -1.0])

    end, _ = advance(start, k, shape, 20.0)

    assert hours_between(start, end, k, shape) == pytest.approx(20.0, rel=5e-3)
    assert hours_between(end, start, k, shape) == pytest.approx(-20.0, rel=5e-3)


def test_the_speed_told_after_an_advance_is_that_of_the_place_reached() -> None:
    shape, k = shape_of(0.7 * ONE, 1.2 * ONE), 0.1 * ONE

    z, dz_dt = advance(-2.0 * ONE, k, shape, 7.3)

    assert dz_dt == pytest.approx(speed(z, k, shape))


def test_ten_degrees_more_double_to_treble_the_rate_and_a_crash_stops_it() -> None:
    assert 2.0 <= temperature_factor(22.0, 12.0, 22.0) / temperature_factor(12.0, 12.0, 12.0) <= 3.0
    assert temperature_factor(4.0, 19.0, 19.0) < 0.02
