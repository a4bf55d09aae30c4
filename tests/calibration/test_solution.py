"""Reference solutions: mass balance against the sucrose table, and everything that cannot be mixed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.density import sucrose_density
from calibration.solution import recipe, recipes, sucrose_fraction
from gylewatch.errors import InputError

# SG 20/20 °C (vacuum) of ICUMSA SPS-4 by mass percent (computed; coefficients in two public texts).
ICUMSA_SG = [(1, 1.003872), (2, 1.007772), (3, 1.011699), (4, 1.015654), (5, 1.019638), (6, 1.023649)]


@pytest.mark.parametrize(("mass_percent", "gravity"), ICUMSA_SG)
def test_the_sugar_fraction_follows_the_published_table(mass_percent: int, gravity: float) -> None:
    assert 100.0 * sucrose_fraction(gravity) == pytest.approx(mass_percent, abs=3e-4)  # the table's last digit


def test_grams_are_a_mass_balance_at_the_mixing_temperature() -> None:
    weighed = recipe(1.060, 500.0, temperature_c=21.0, balance_resolution_g=0.01)

    # By hand: 14.750 % by mass makes 1.0600 (ICUMSA); 500 ml at 21 °C weigh 500 * 1.05776 = 528.9 g.
    assert weighed.sucrose_g + weighed.water_g == pytest.approx(528.9, abs=0.1)
    assert weighed.sucrose_g / (weighed.sucrose_g + weighed.water_g) == pytest.approx(0.1475, abs=2e-4)


@given(st.floats(1.005, 1.165), st.floats(200.0, 5000.0), st.floats(2.0, 60.0), st.sampled_from([0.01, 0.1, 1.0]))
def test_the_weighed_masses_make_the_gravity_within_the_stated_uncertainty(
    gravity: float, volume_ml: float, temperature_c: float, resolution_g: float
) -> None:
    weighed = recipe(gravity, volume_ml, temperature_c=temperature_c, balance_resolution_g=resolution_g)

    dry_g = weighed.sucrose_g * (1.0 - 0.0006)
    made = sucrose_density(dry_g / (weighed.sucrose_g + weighed.water_g), 20.0) / sucrose_density(0.0, 20.0)
    assert weighed.made_gravity_sg == pytest.approx(made, abs=1e-6)
    # Rounding each mass by up to half a step is at most 1.3 sd of one uniform step, twice that for both together.
    assert abs(weighed.made_gravity_sg - gravity) * 1000 <= 3.0 * weighed.sd_points + 1e-6


def test_a_finer_balance_gives_a_smaller_uncertainty() -> None:
    coarse, fine = (recipe(1.060, 500.0, balance_resolution_g=step).sd_points for step in (1.0, 0.1))

    assert 0.1 < coarse < 0.5  # 0.4 g in 529 g at 2.9 points per gram of sugar... of the order of a third of a point
    assert fine < coarse / 2


def test_plain_water_is_a_recipe_without_sugar() -> None:
    water = recipe(1.000, 500.0)

    assert (water.sucrose_g, water.sd_points) == (0.0, 0.0)
    assert water.made_gravity_sg == pytest.approx(1.0, abs=1e-7)


def test_a_whole_set_comes_in_the_order_asked_for() -> None:
    gravities = (1.000, 1.060, 1.030)

    assert [one.gravity_sg for one in recipes(gravities, 500.0)] == list(gravities)


@pytest.mark.parametrize(
    ("gravity", "volume_ml", "temperature_c", "resolution_g", "why"),
    [
        (0.995, 500.0, 20.0, 1.0, "negative mass"),
        (1.050, -500.0, 20.0, 1.0, "negative or no mass"),
        (1.050, 500.0, 95.0, 1.0, "hotter than the density table"),
        (1.050, 500.0, -5.0, 1.0, "colder than the density table"),
        (1.300, 500.0, 20.0, 1.0, "does not dissolve"),
        (50.0, 500.0, 20.0, 1.0, "enter 1.050"),
        (1.050, 40.0, 20.0, 1.0, "finer one"),
        (float("nan"), 500.0, 20.0, 1.0, "must be numbers"),
    ],
)
def test_what_cannot_be_mixed_is_refused_in_one_sentence(
    gravity: float, volume_ml: float, temperature_c: float, resolution_g: float, why: str
) -> None:
    with pytest.raises(InputError, match=why) as refused:
        recipe(gravity, volume_ml, temperature_c=temperature_c, balance_resolution_g=resolution_g)

    assert "\n" not in str(refused.value)
