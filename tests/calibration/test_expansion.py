"""Expansion of wort and beer: the fast form against the mixture, the mixture against independent arithmetic."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.density import ethanol_water_density, sucrose_density
from calibration.expansion import (
    composition,
    expansion_of,
    expansion_ratio,
    gravity_at_20_c,
    partner_fractions,
    wort_expansion_ratio,
)


@given(st.floats(1.030, 1.120), st.floats(0.0, 1.05), st.floats(-3.0, 42.0))
def test_the_fast_form_gives_the_gravity_of_the_mixture(original: float, fermented: float, temperature: float) -> None:
    gravity = original - fermented * (original - 1.0)
    felt = gravity * expansion_ratio(gravity, temperature, original)

    fast = felt * expansion_of(original).factor(felt, temperature)

    assert fast == pytest.approx(gravity, abs=3e-5)  # 0.03 points


@given(st.floats(0.99, 1.12), st.floats(0.0, 40.0))
def test_a_density_brought_to_20_degrees_gives_back_the_gravity_it_came_from(
    gravity: float, temperature: float
) -> None:
    felt = gravity * expansion_ratio(gravity, temperature, 1.06)

    assert gravity_at_20_c(felt, temperature, 1.06) == pytest.approx(gravity, abs=1e-6)


def test_wort_expands_like_sucrose_solution() -> None:
    # 10 % at 4 and 20 °C by ICUMSA SPS-4: see sucrose_density.csv.
    assert wort_expansion_ratio(1.04003, 4.0) == pytest.approx(
        sucrose_density(0.1, 4.0) / sucrose_density(0.1, 20.0), abs=2e-6
    )


def test_a_beer_splits_into_partners_that_hold_the_same_mass_per_volume() -> None:
    beer = composition(1.010, 1.050)

    p, w = partner_fractions(beer.ethanol, beer.extract, 1.010)

    kilograms_per_m3 = 1.010 * 998.2031
    assert p * ethanol_water_density(p, 20.0) == pytest.approx(beer.ethanol * kilograms_per_m3, rel=1e-6)
    assert w * sucrose_density(w, 20.0) == pytest.approx(beer.extract * kilograms_per_m3, rel=1e-6)


def test_the_partners_add_up_to_the_beers_own_gravity() -> None:
    # Tabarié's relation and Balling's balance are independent: together they must give the gravity assumed.
    beer = composition(1.010, 1.050)
    p, w = partner_fractions(beer.ethanol, beer.extract, 1.010)

    together = (sucrose_density(w, 20.0) + ethanol_water_density(p, 20.0) - 998.2022) / 998.2022

    assert together == pytest.approx(1.010, abs=4e-4)  # 0.4 points


def test_finished_beer_is_a_point_lower_than_a_20_degree_hydrometer_says_at_15() -> None:
    # Common practice, no source: a finished beer measured at 15 °C needs about one point off.
    felt = 1.012 / (1.0 + 25e-6 * (15.0 - 20.0))

    assert 1000 * (1.012 - gravity_at_20_c(felt, 15.0, 1.050)) == pytest.approx(0.9, abs=0.3)


def test_outside_its_temperatures_the_correction_stays_at_the_edge() -> None:
    expansion = expansion_of(1.050)

    assert expansion.factor(1.01, 90.0) == expansion.factor(1.01, 45.0)
    assert expansion.factor(1.01, -30.0) == expansion.factor(1.01, -5.0)
