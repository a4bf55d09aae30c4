"""Densities against published tables and against two reference libraries for water."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.density import (
    beer_density,
    ethanol_water_density,
    sucrose_density,
    water_density,
    water_density_kell,
)
from tests.calibration.published import rows_of


@pytest.mark.parametrize("row", rows_of("water_density"), ids=lambda row: f"{row['t_c']} C")
def test_water_follows_its_published_formulas(row: dict[str, str]) -> None:
    t = float(row["t_c"])

    assert water_density(t) == pytest.approx(float(row["tanaka"]), abs=1e-3)
    assert water_density_kell(t) == pytest.approx(float(row["kell"]), abs=1e-3)
    assert ethanol_water_density(0.0, t) == pytest.approx(float(row["r22"]), abs=1e-3)


@pytest.mark.parametrize("t", [0.5, 4.0, 10.0, 20.0, 30.0, 40.0])
def test_water_agrees_with_the_international_steam_formulation(t: float) -> None:
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    iapws = pytest.importorskip("iapws")

    referees = [
        coolprop.PropsSI("D", "T", t + 273.15, "P", 101325.0, "Water"),
        iapws.IAPWS95(T=t + 273.15, P=0.101325).rho,
    ]

    for referee in referees:
        assert water_density(t) == pytest.approx(referee, abs=0.01)
        assert water_density_kell(t) == pytest.approx(referee, abs=0.01)


@pytest.mark.parametrize("row", rows_of("sucrose_density"), ids=lambda row: f"{row['mass_percent']} % {row['t_c']} C")
def test_sucrose_solutions_follow_icumsa(row: dict[str, str]) -> None:
    density = sucrose_density(float(row["mass_percent"]) / 100.0, float(row["t_c"]))

    assert density == pytest.approx(float(row["rho"]), abs=0.001)


@pytest.mark.parametrize(
    "row", rows_of("ethanol_water_density"), ids=lambda row: f"{row['mass_percent']} % {row['t_c']} C"
)
def test_ethanol_and_water_follow_the_alcoholometric_tables(row: dict[str, str]) -> None:
    density = ethanol_water_density(float(row["mass_percent"]) / 100.0, float(row["t_c"]))

    assert density == pytest.approx(float(row["rho"]), abs=0.001)


# OIML R 22 (1975), values printed with the formula.
@pytest.mark.parametrize(
    ("ethanol", "t", "published"),
    [(1.0, 20.0, 789.2391), (0.0, 0.0, 999.8369), (1.0, 0.0, 806.2151), (0.5, 20.0, 913.7706)],
)
def test_the_alcoholometric_formula_gives_its_printed_checks(ethanol: float, t: float, published: float) -> None:
    assert ethanol_water_density(ethanol, t) == pytest.approx(published, abs=1e-4)


def test_beer_without_alcohol_is_a_sugar_solution_and_without_extract_a_spirit() -> None:
    assert beer_density(0.0, 0.1, 7.0) == sucrose_density(0.1, 7.0)
    # The two water formulas differ by at most 0.005 kg/m3 (table of water densities).
    assert beer_density(0.04, 0.0, 7.0) == pytest.approx(ethanol_water_density(0.04, 7.0), abs=0.005)


def test_an_array_is_computed_like_its_numbers() -> None:
    p, w, t = np.array([0.0, 0.04]), np.array([0.12, 0.04]), np.array([4.0, 30.0])

    densities = beer_density(p, w, t)

    assert densities.tolist() == [beer_density(0.0, 0.12, 4.0), beer_density(0.04, 0.04, 30.0)]
