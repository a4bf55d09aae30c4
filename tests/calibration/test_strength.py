"""Strength against worked examples and the duty authority's table."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from calibration.strength import (
    DUTY_CAUTION,
    abv_balling_simple_percent,
    abv_cutaia_percent,
    abv_duty_percent,
    abv_hall_percent,
    abv_percent,
    abv_simple_percent,
    apparent_attenuation,
    real_attenuation,
    real_extract_plato,
    real_extract_simple_plato,
    strength,
)
from gylewatch.errors import OutOfDomain
from gylewatch.units import plato_from_sg
from tests.calibration.published import rows_of

QUANTITIES: dict[str, Callable[[float, float], float]] = {
    "OE": lambda og, fg: plato_from_sg(og),
    "AE": lambda og, fg: plato_from_sg(fg),
    "RE simple": lambda og, fg: real_extract_simple_plato(plato_from_sg(og), plato_from_sg(fg)),
    "RE q": lambda og, fg: real_extract_plato(plato_from_sg(og), plato_from_sg(fg)),
    "ABW Balling with RE simple": lambda og, fg: abv_balling_simple_percent(og, fg) * 0.791 / fg,
    "ABV Balling with RE simple, 0.791": abv_balling_simple_percent,
    "ABV Balling with RE q, 0.791": abv_percent,
    "ABV Cutaia as remembered, 0.791": abv_cutaia_percent,
    "ABV Hall, 0.794": abv_hall_percent,
    "ABV 131.25": abv_simple_percent,
    "ADF": lambda og, fg: 100.0 * apparent_attenuation(og, fg),
}


@pytest.mark.parametrize("row", rows_of("strength_examples"), ids=lambda row: f"{row['name']} {row['og']} {row['fg']}")
def test_a_worked_example_comes_out(row: dict[str, str]) -> None:
    og, fg = float(row["og"]), float(row["fg"])
    if row["name"] == "RDF":
        # The example's real extract is the simple one; ours the quotient's: they differ by up to 0.3 °P.
        simple = real_extract_simple_plato(plato_from_sg(og), plato_from_sg(fg))
        assert 100 * (plato_from_sg(og) - simple) / plato_from_sg(og) / (1 - 0.005161 * simple) == pytest.approx(
            float(row["result"]), abs=1e-3
        )
        assert 100 * real_attenuation(og, fg) == pytest.approx(float(row["result"]), abs=1.6)
        return

    assert QUANTITIES[row["name"]](og, fg) == pytest.approx(float(row["result"]), abs=1e-3)


# HMRC Excise Notice 226, section 30: gravity difference times the table's factor, cut to one decimal (arithmetic).
@pytest.mark.parametrize(
    ("og", "fg", "declared"),
    [
        (1.0400, 1.0100, 3.8),
        (1.0480, 1.0105, 4.8),
        (1.0570, 1.0180, 5.0),
        (1.0750, 1.0150, 7.9),
        (1.0350, 1.0089, 3.3),
        (1.0200, 1.0131, 0.8),
        (1.1000, 1.0100, 12.1),
    ],
)
def test_the_duty_table_cuts_and_does_not_round(og: float, fg: float, declared: float) -> None:
    assert abv_duty_percent(og, fg) == pytest.approx(declared, abs=1e-9)


def test_the_duty_figure_is_called_no_declaration() -> None:
    assert "neither a declaration nor fit for a label" in DUTY_CAUTION


def test_the_formulas_stand_side_by_side_with_their_spread() -> None:
    beer = strength(1.050, 1.010)

    values = [value for _, value in beer.abv_by_formula]
    assert len(values) == 5
    assert beer.abv_low_percent == min(values) < beer.abv_percent < max(values) == beer.abv_high_percent


def test_energy_of_an_ordinary_beer_is_that_of_the_handbook_formula() -> None:
    # 6.9 * 4.1222 + 4.0 * (4.4138 - 0.1) = 45.70 kcal/100 g, times 1.010 * 0.9982 g/ml, by hand.
    assert strength(1.050, 1.010).energy_kcal_per_100_ml == pytest.approx(46.07, abs=0.02)


def test_an_array_of_gravities_gives_an_array_of_strengths() -> None:
    gravities = np.array([1.050, 1.030, 1.010])

    strengths = abv_percent(np.full(3, 1.050), gravities)

    assert strengths.tolist() == pytest.approx([abv_percent(1.050, float(g)) for g in gravities])
    assert strengths[0] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("og", "fg"), [(1.050, 1.051), (1.000, 0.998), (1.050, 0.90), (1.5, 1.01)])
def test_a_final_gravity_above_the_original_or_no_beer_at_all_is_refused(og: float, fg: float) -> None:
    with pytest.raises(OutOfDomain, match="outside"):
        strength(og, fg)


def test_a_gravity_difference_beyond_the_duty_table_is_refused() -> None:
    with pytest.raises(OutOfDomain, match="degrees"):
        abv_duty_percent(1.010, 1.020)
