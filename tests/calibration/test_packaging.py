"""Carbonation against worked values, and every beer that must not be bottled."""

from __future__ import annotations

from typing import Any

import pytest

from calibration.packaging import (
    BOTTLE_VOLUMES,
    CAUTIONS,
    Bottle,
    Rest,
    Sugar,
    bottle_pressure_bar,
    equilibrium_co2_g_per_l,
    priming,
    residual_volumes,
    rest_by_estimate,
    rest_by_hand,
    sugar_g,
)
from gylewatch.errors import InputError
from tests.calibration.published import rows_of

AT_REST = Rest(gravity_sg=1.010, lowest_gravity_sg=1.010)
FINISHED: dict[str, Any] = {
    "gravity_sg": 1.0100,
    "earlier_gravity_sg": 1.0103,
    "rate_high_points_per_day": 0.2,
    "probability_still": 0.99,
    "probability_attenuated": 0.95,
    "final_gravity_low_sg": 1.0095,
    "age_h": 1.0,
}


@pytest.mark.parametrize("row", rows_of("co2_equilibrium"), ids=lambda row: f"{row['t_c']} C {row['pressure_bar']} bar")
def test_dissolved_gas_follows_the_worked_values(row: dict[str, str]) -> None:
    held = equilibrium_co2_g_per_l(float(row["t_c"]), float(row["pressure_bar"]))

    assert held == pytest.approx(float(row["g_per_kg"]), abs=6e-4)
    if row["pressure_bar"] == "0":
        assert residual_volumes(float(row["t_c"])) == pytest.approx(float(row["volumes"]), abs=6e-4)
        # Beer holds a little less than pure water (Weiss 1974): an independent referee for the remembered formula.
        assert 0.93 < held / float(row["water_g_per_l"]) < 0.97


@pytest.mark.parametrize("row", rows_of("bottle_pressure"), ids=lambda row: f"{row['volumes']} vol {row['t_c']} C")
def test_bottle_pressure_follows_the_worked_values(row: dict[str, str]) -> None:
    assert bottle_pressure_bar(float(row["volumes"]), float(row["t_c"])) == pytest.approx(float(row["bar"]), abs=6e-3)


@pytest.mark.parametrize("row", rows_of("priming_sugar"), ids=lambda row: f"{row['volume_l']} l {row['volumes']} vol")
@pytest.mark.parametrize("sugar", list(Sugar))
def test_priming_sugar_follows_the_worked_examples(row: dict[str, str], sugar: Sugar) -> None:
    column = {
        Sugar.SUCROSE: "sucrose_g",
        Sugar.GLUCOSE: "glucose_g",
        Sugar.GLUCOSE_MONOHYDRATE: "glucose_monohydrate_g",
    }

    plan = priming(
        volume_l=float(row["volume_l"]),
        wanted_volumes=float(row["volumes"]),
        warmest_c=float(row["warmest_c"]),
        sugar=sugar,
        bottle=Bottle.ORDINARY,
        rest=AT_REST,
    )

    assert plan.sugar_g == pytest.approx(float(row[column[sugar]]), abs=0.06)
    assert plan.sugar_g == sugar_g(float(row["volume_l"]), plan.wanted_volumes - plan.residual_volumes, sugar)


def test_the_plan_tells_pressure_alcohol_uncertainty_and_cautions() -> None:
    plan = priming(
        volume_l=20.0, wanted_volumes=2.4, warmest_c=20.0, sugar=Sugar.SUCROSE, bottle=Bottle.ORDINARY, rest=AT_REST
    )

    # 6 g/l of sucrose give 3.23 g/l of ethanol (stoichiometry), 4.09 ml/l at 789.24 g/l: 0.41 % by volume, by hand.
    assert plan.added_abv_percent == pytest.approx(0.41, abs=0.005)
    assert dict(plan.pressures_bar)[40.0] > dict(plan.pressures_bar)[20.0] > 1.5
    assert 0.05 < plan.sd_volumes < 0.15
    assert plan.cautions == CAUTIONS
    assert any("burst" in caution for caution in CAUTIONS)
    (meanwhile,) = (caution for caution in CAUTIONS if "While they carbonate" in caution)
    before, after = meanwhile.split("Store them")
    assert "at which the yeast worked" in before
    assert "closed, sturdy box" in before
    assert "cool" not in before
    assert after.startswith(" cool and dark afterwards")


def test_a_finished_beer_may_be_primed() -> None:
    assert rest_by_estimate(**FINISHED) == Rest(gravity_sg=1.0100, lowest_gravity_sg=1.0095)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"rate_high_points_per_day": 1.5}, "still falls"),
        ({"probability_still": 0.6}, "probability of only 60%"),
        ({"probability_attenuated": 0.1}, "stuck beer"),
        ({"age_h": 30.0}, "30 hours old"),
        ({"earlier_gravity_sg": 1.0125}, "fell by 2.5 points in the last 2 days"),
        ({"earlier_gravity_sg": None}, "watched for less than 2 days"),
    ],
)
def test_a_beer_that_may_ferment_on_gets_no_plan(change: dict[str, float | None], why: str) -> None:
    with pytest.raises(InputError, match=why):
        rest_by_estimate(**{**FINISHED, **change})


@pytest.mark.parametrize(
    ("earlier", "later", "days", "why"),
    [
        (1.011, 1.010, 3.0, "fell by 1.0 points"),
        (1.014, 1.010, 3.0, "fell by 4.0 points"),
        (1.010, 1.010, 1.0, "two samples 1 day apart prove no rest"),
        (1.010, 1.010, 1.5, r"two samples 1\.5 days apart prove no rest"),
        (1.010, 1.014, 3.0, "rose by 4.0 points"),
    ],
)
def test_two_samples_that_prove_no_rest_give_no_plan(earlier: float, later: float, days: float, why: str) -> None:
    with pytest.raises(InputError, match=why):
        rest_by_hand(earlier_sg=earlier, later_sg=later, days_between=days, expected_final_sg=1.010)


def test_two_equal_samples_days_apart_prove_a_rest_within_a_point() -> None:
    rest = rest_by_hand(earlier_sg=1.010, later_sg=1.010, days_between=3.0, expected_final_sg=1.010)

    assert rest.lowest_gravity_sg == pytest.approx(1.009)


def test_a_beer_that_stands_still_far_above_its_end_gets_no_plan() -> None:
    with pytest.raises(InputError, match=r"18\.0 points above its expected end .* BURSTS"):
        rest_by_hand(earlier_sg=1.030, later_sg=1.030, days_between=5.0, expected_final_sg=1.012)


@pytest.mark.parametrize("bottle", list(Bottle))
def test_what_may_still_ferment_counts_against_the_bottle(bottle: Bottle) -> None:
    # By the reference's arithmetic 4 points give about 2 volumes.
    unsure = Rest(gravity_sg=1.014, lowest_gravity_sg=1.010)
    wanted = min(BOTTLE_VOLUMES[bottle] - 0.5, 5.0)

    with pytest.raises(InputError, match=r"if it ferments down to 1\.0100"):
        priming(volume_l=20.0, wanted_volumes=wanted, warmest_c=20.0, sugar=Sugar.SUCROSE, bottle=bottle, rest=unsure)


@pytest.mark.parametrize(
    ("volumes", "warmest", "why"),
    [
        (3.2, 20.0, "ordinary one-trip or long-neck beer bottles are trusted with"),
        (1.2, 4.0, "holds 1.40 volumes already"),
        (5.5, 20.0, "if that was g/l enter 2.8"),
        (2.4, 68.0, "if that was °F enter 20.0"),
    ],
)
def test_a_plan_that_cannot_be_meant_is_refused(volumes: float, warmest: float, why: str) -> None:
    with pytest.raises(InputError, match=why):
        priming(
            volume_l=20.0,
            wanted_volumes=volumes,
            warmest_c=warmest,
            sugar=Sugar.SUCROSE,
            bottle=Bottle.ORDINARY,
            rest=AT_REST,
        )
