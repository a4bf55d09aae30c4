"""The brew day's mass balance: by published densities, by hand, and by its own conservation laws."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.brewday import after_boil, boil_off, closure, dilution, running_gravity, wort, wort_density
from calibration.expansion import WATER_20_C
from gylewatch.errors import InputError
from tests.calibration.published import rows_of


def published_density(mass_percent: str, temperature_c: str) -> float:
    rows = rows_of("sucrose_density")
    return next(float(r["rho"]) for r in rows if (r["mass_percent"], r["t_c"]) == (mass_percent, temperature_c))


@pytest.mark.parametrize("temperature_c", ["10", "20", "30"])
@pytest.mark.parametrize("mass_percent", ["10", "15"])
def test_the_mass_of_wort_follows_the_published_density(mass_percent: str, temperature_c: str) -> None:
    gravity = published_density(mass_percent, "20") / WATER_20_C

    held = wort(gravity, 25.0, float(temperature_c))

    mass_kg = 25.0 * published_density(mass_percent, temperature_c) / 1000.0
    assert held.mass_kg == pytest.approx(mass_kg, abs=3e-4)  # 0.01 kg/m³, the table's tolerance
    assert held.extract_kg == pytest.approx(float(mass_percent) / 100.0 * mass_kg, abs=1e-4)


def test_boiling_wort_takes_four_per_cent_more_room_than_cold() -> None:
    # Water: 998.20 kg/m³ at 20 °C, 958.35 at 100 °C (IAPWS-95, CRC Handbook): 4.16 % more.
    assert wort_density(0.0, 20.0) / wort_density(0.0, 100.0) == pytest.approx(998.20 / 958.35, abs=2e-4)


def test_a_worked_boil_off_comes_out() -> None:
    # By hand: 30 kg of wort of 10 % hold 3 kg of extract; at 15 % that is 20 kg, so 10 kg of water must go.
    ten, fifteen = (published_density(percent, "20") for percent in ("10", "15"))
    before = wort(ten / WATER_20_C, 30_000.0 / ten)

    change = boil_off(before, fifteen / WATER_20_C)

    assert change.water_kg == pytest.approx(10.0, abs=1e-3)
    assert change.after.volume_l == pytest.approx(20_000.0 / fifteen, abs=1e-3)


@given(st.floats(1.010, 1.12), st.floats(5.0, 500.0), st.floats(20.0, 100.0), st.floats(0.0, 0.3))
def test_extract_neither_comes_nor_goes(gravity: float, volume_l: float, temperature_c: float, share: float) -> None:
    before = wort(gravity, volume_l, temperature_c)

    after = after_boil(before, share * (before.mass_kg - before.extract_kg), end_temperature_c=20.0)
    again = wort(after.gravity_sg, after.volume_l, after.temperature_c)

    assert again.extract_kg == pytest.approx(before.extract_kg, rel=1e-6)
    assert again.mass_kg == pytest.approx(after.mass_kg, rel=1e-6)


@given(st.floats(1.030, 1.10), st.floats(0.2, 0.95), st.floats(20.0, 100.0))
def test_dilution_undoes_boiling(gravity: float, share: float, temperature_c: float) -> None:
    before = wort(gravity, 25.0, temperature_c)
    target = 1.0 + share * (gravity - 1.0)

    diluted = dilution(before, target)
    boiled = boil_off(diluted.after, gravity)

    assert boiled.water_kg == pytest.approx(diluted.water_kg, rel=1e-6)
    assert boiled.after.extract_kg == pytest.approx(before.extract_kg, rel=1e-6)


def test_kettle_sugar_counts_as_extract_without_volume_tricks() -> None:
    before = wort(1.040, 25.0)

    sweetened = after_boil(before, 0.0, sugar_kg=1.0)

    assert sweetened.extract_kg == pytest.approx(before.extract_kg + 1.0)
    assert sweetened.mass_kg == pytest.approx(before.mass_kg + 1.0)


def test_a_refractometer_gives_gravity_and_heat_of_running_wort() -> None:
    # 10.4 Brix over the factor 1.04 are 10 °P, a solution whose density at 30 °C the published table gives.
    shown = running_gravity(10.4, 30.0)

    assert shown.gravity_sg == pytest.approx(published_density("10", "20") / WATER_20_C, abs=5e-5)
    assert shown.extract_plato == pytest.approx(10.0, abs=1e-9)
    assert shown.at_temperature_sg == pytest.approx(published_density("10", "30") / WATER_20_C, abs=5e-5)
    assert 0.0004 < shown.sd_sg < 0.0012


def test_an_instrument_without_compensation_is_corrected_by_the_printed_table() -> None:
    # OIV-MA-AS2-02, table I: at 15 °C a reading of 10 % lacks 0.32.
    cold = running_gravity(10.0, 65.0, prism_temperature_c=15.0, compensates=False, wort_correction_factor=1.0)

    assert cold.extract_plato == pytest.approx(9.68, abs=0.005)


def test_a_balance_that_closes_is_called_so_and_one_that_does_not_names_the_side() -> None:
    before = wort(1.042, 28.0, 70.0)
    after = after_boil(before, 4.0, end_temperature_c=20.0)

    closed = closure(before, after)
    lost = closure(before, wort(after.gravity_sg, 0.85 * after.volume_l))
    gained = closure(before, wort(after.gravity_sg, 1.15 * after.volume_l))

    assert closed.agrees
    assert closed.extract_change_kg == pytest.approx(0.0, abs=1e-6)
    assert closed.water_lost_kg == pytest.approx(4.0, abs=1e-3)
    assert not lost.agrees
    assert "missing" in lost.verdict
    assert not gained.agrees
    assert "came from nowhere" in gained.verdict


def test_impossible_wishes_are_refused_with_the_remedy() -> None:
    with pytest.raises(InputError, match="dilute instead"):
        boil_off(wort(1.050, 20.0), 1.040)
    with pytest.raises(InputError, match="boil longer instead"):
        dilution(wort(1.050, 20.0), 1.060)
    with pytest.raises(InputError, match="not Brix"):
        wort(12.5, 20.0)
    with pytest.raises(InputError, match="litres above zero"):
        wort(1.050, 0.0)
    with pytest.raises(InputError, match=r"if that was °F enter 66\.7"):
        wort(1.050, 20.0, 152.0)
    with pytest.raises(InputError, match="looks like SG"):
        running_gravity(1.048, 65.0)
    with pytest.raises(InputError, match="outside 0 to 40"):
        running_gravity(48.0, 65.0)
    with pytest.raises(InputError, match="room temperature"):
        running_gravity(12.0, 65.0, prism_temperature_c=45.0, compensates=False)
    with pytest.raises(InputError, match="check the rate and the time"):
        after_boil(wort(1.050, 20.0), 18.0)
    with pytest.raises(InputError, match="cannot be negative"):
        after_boil(wort(1.050, 20.0), -1.0)
