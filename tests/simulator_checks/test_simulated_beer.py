"""Densities and strength in the simulator against published formulas' values.

Density rows: ICUMSA SPS-4 and OIML R 22 as computed apart from this code (both formulas verified in public texts).
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulator.beer import (
    WATER_20_C,
    abv_percent,
    density_at,
    ethanol_density,
    plato,
    sucrose_density,
    water_density,
)
from tests.simulator.samples import hydrometer_sg, refractometer_brix

SUCROSE = [(0, 4, 999.9720), (5, 15, 1018.8258), (10, 30, 1035.1431), (15, 4, 1062.3332), (25, 30, 1099.9789)]
ETHANOL = [(2, 0, 996.1414), (4, 10, 992.5780), (6, 15.5556, 988.6718), (8, 25, 983.3962), (12, 40, 971.5589)]
ABV = [(1.040, 1.010, 3.9369), (1.050, 1.010, 5.2634), (1.080, 1.016, 8.4975)]


@pytest.mark.parametrize(("percent", "temperature_c", "density"), SUCROSE)
def test_sucrose_solutions_have_the_density_of_icumsa(percent: float, temperature_c: float, density: float) -> None:
    computed = sucrose_density(np.array(percent / 100), np.array(temperature_c))

    assert computed == pytest.approx(density, abs=0.001)


@pytest.mark.parametrize(("percent", "temperature_c", "density"), ETHANOL)
def test_ethanol_mixtures_have_the_density_of_oiml(percent: float, temperature_c: float, density: float) -> None:
    computed = ethanol_density(np.array(percent / 100), np.array(temperature_c))

    assert computed == pytest.approx(density, abs=0.001)


def test_water_agrees_with_tanaka_within_the_spread_of_the_formulas() -> None:
    # Tanaka et al., Metrologia 38, 301-309, 2001; the formulas differ by up to 0.0074 kg/m3.
    assert water_density(np.array(20.0)) == pytest.approx(998.2067, abs=0.008)
    assert water_density(np.array(0.0)) == pytest.approx(999.8428, abs=0.008)


def test_plato_inverts_the_sucrose_density() -> None:
    # SG 20/20 in vacuum of 5, 10 and 12 %, ICUMSA.
    computed = plato(np.array([1.019638, 1.039984, 1.048327]))

    assert computed == pytest.approx([5.0, 10.0, 12.0], abs=0.002)


@pytest.mark.parametrize(("original", "final", "percent"), ABV)
def test_strength_follows_balling(original: float, final: float, percent: float) -> None:
    # Worked with the ASBC polynomial for Plato, which is off the density by up to 0.012 P.
    assert abv_percent(original, np.array(final)) == pytest.approx(percent, abs=0.03)


def test_wort_expands_as_sucrose_and_beer_otherwise() -> None:
    warm = np.array(30.0)

    wort = density_at(1.048, np.array(1.048), warm)
    as_sucrose = sucrose_density(plato(np.array(1.048)) / 100, warm)
    beer = density_at(1.048, np.array(1.010), warm)
    as_sugar_water = sucrose_density(plato(np.array(1.010)) / 100, warm)

    assert wort == pytest.approx(as_sucrose, abs=0.01)
    # Alcohol expands more than sugar: 0.16 kg/m3 at 30 C here.
    assert as_sugar_water - beer > 0.1


def test_beer_at_20_degrees_has_its_own_gravity() -> None:
    assert density_at(1.060, np.array(1.012), np.array(20.0)) / WATER_20_C == pytest.approx(1.012, abs=1e-6)


def test_a_hydrometer_reads_high_in_cool_wort() -> None:
    # ICUMSA with 25e-6 per C of glass: a reading of 1.040 at 15 C means 1.03899.
    assert hydrometer_sg(1.060, 1.060, 20.0) == pytest.approx(1.060, abs=1e-6)
    assert hydrometer_sg(1.03899, 1.03899, 15.0) == pytest.approx(1.040, abs=0.00005)


def test_a_refractometer_shows_the_wort_at_first_and_the_correlation_at_the_end() -> None:
    o = float(plato(np.array(1.048)))

    at_first = refractometer_brix(1.048, 1.048, wort_factor=1.04)
    at_end = refractometer_brix(1.048, 1.000, wort_factor=1.0)

    assert at_first == pytest.approx(1.04 * o, abs=1e-6)
    # FG = 1 - 0.002349 o + 0.006276 f solved by hand for FG = 1.000.
    assert at_end == pytest.approx(0.002349 * o / 0.006276, abs=1e-6)
