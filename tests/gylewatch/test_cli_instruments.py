"""``solution``, ``correct`` and ``strength`` at the command line."""

from __future__ import annotations

import pytest

from calibration.density import sucrose_density
from tests.calibration.published import rows_of
from tests.gylewatch.workbench import Terminal


def test_a_whole_set_of_solutions_is_weighed(bare: Terminal) -> None:
    answer = bare.type("solution --gravity 1.000 --gravity 1.060 --volume-ml 500 --temperature 21")

    assert answer.code == 0
    # By hand: 14.75 % by mass makes 1.0600 (ICUMSA); 500 ml at 21 °C weigh 528.9 g: 78 g of sugar, 451 g of water.
    assert "1.0600   78 g   451 g" in answer.out
    assert "points" in answer.out
    assert "cool to the temperature stated" in answer.out


def test_solutions_come_as_json_too(bare: Terminal) -> None:
    shown = bare.type("solution --gravity 1.060 --volume-ml 500 --temperature 21 --resolution-g 0.1 --json").json

    assert shown["solutions"][0]["sucrose_g"] == pytest.approx(78.0, abs=0.15)
    assert 0.0 < shown["solutions"][0]["sd_points"] < 0.2


WORT_ROWS = [
    row
    for row in rows_of("hydrometer_temperature")
    if row["reading_sg"] in ("1.040", "1.060") and row["t_c"] in ("10.0000", "15.0000", "25.0000", "40.0000")
]


@pytest.mark.parametrize("row", WORT_ROWS, ids=lambda row: f"{row['calibration_c']} {row['reading_sg']} {row['t_c']}")
def test_a_hydrometer_in_wort_is_corrected_at_any_calibration_temperature(bare: Terminal, row: dict[str, str]) -> None:
    shown = bare.type(
        f"correct hydrometer {row['reading_sg']} --temperature {row['t_c']} --wort "
        f"--calibration-temperature {row['calibration_c']} --json"
    ).json

    # The table's solution (ICUMSA, ISO 1768 glass) by its mass per cent, whose SG 20/20 the sucrose density gives.
    true_sg = sucrose_density(float(row["mass_percent"]) / 100.0, 20.0) / sucrose_density(0.0, 20.0)
    assert shown["gravity_sg"] == pytest.approx(true_sg, abs=2e-5)
    assert 0.9 < shown["sd_points"] < 1.5


def test_instrument_and_unit_take_any_case(bare: Terminal) -> None:
    plain = bare.type("correct hydrometer 12.5 --unit Plato --temperature 15 --wort")

    assert plain.code == 0
    assert bare.type("correct Hydrometer 12.5 --unit plato --temperature 15 --wort").out == plain.out


def test_a_finished_beer_at_15_degrees_needs_about_one_point_off(bare: Terminal) -> None:
    # Common practice, no source.
    answer = bare.type("correct hydrometer 1.010 --temperature 15 --og 1.050")

    assert "1.0091 ± 1.3 points (half the 80 % interval)" in answer.out
    assert "Degas it first" in answer.out


def test_meniscus_and_offset_are_added(bare: Terminal) -> None:
    line = "correct hydrometer 1.010 --temperature 20 --og 1.050 --meniscus-points 1 --offset-points -0.5 --json"

    assert bare.type(line).json["gravity_sg"] == pytest.approx(1.0105, abs=1e-6)


def test_the_correlations_of_a_refractometer_stand_side_by_side_with_their_spread(bare: Terminal) -> None:
    answer = bare.type("correct refractometer 6.2 --temperature 20 --og 1.050")

    for name in ("Bonham 2001", "Terrill 2011, linear", "Terrill 2011, cubic", "Novotny 2017, linear", "Balling"):
        assert name in answer.out
    assert "They spread by" in answer.out


def test_wort_in_a_refractometer_is_not_corrected_for_alcohol(bare: Terminal) -> None:
    shown = bare.type("correct refractometer 12.48 --temperature 20 --wort --json").json

    # 12.48 over 1.04 are 12 °P: 1.04837 by the ASBC polynomial.
    assert shown["gravity_sg"] == pytest.approx(1.04837, abs=1e-5)
    assert shown["correlations"] == []


def test_a_density_meter_is_read_at_its_own_temperature(bare: Terminal) -> None:
    shown = bare.type("correct density-meter 1.0082 --temperature 20 --og 1.050 --json").json

    # 1.0082 g/cm³ over water's 0.99820 at 20 °C.
    assert shown["gravity_sg"] == pytest.approx(1.0082 / 0.99820, abs=2e-5)


def test_strength_shows_all_formulas_the_preferred_one_and_the_caution(bare: Terminal) -> None:
    answer = bare.type("strength --og 1.040 --fg 1.010")

    assert answer.out.count("% vol") >= 7
    # HMRC Excise Notice 226, worked example: 1040 - 1010 gives 3.8.
    assert "duty authority's factor table      3.8 % vol" in answer.out
    assert "Preferred: Balling with attenuation quotient" in answer.out
    assert "neither a declaration nor fit for a label" in answer.out


def test_strength_comes_as_json_too(bare: Terminal) -> None:
    shown = bare.type("strength --og 1.050 --fg 1.010 --json").json

    assert shown["abv_low_percent"] <= shown["abv_percent"] <= shown["abv_high_percent"]
    assert shown["duty_table_abv_percent"] == pytest.approx(5.2)


@pytest.mark.parametrize(
    ("words", "question"),
    [
        ("solution --gravity 60 --volume-ml 500", "are those points? as SG they are 1.060"),
        ("solution --gravity 1.06 --volume-ml 500 --temperature 70", "in °C it would be 21.1"),
        ("solution --gravity 1.06 --volume-ml 500 --temperature 95", "outside 0 to 80"),
        ("solution --gravity 0.99 --volume-ml 500", "outside 1 to 1.17"),
        ("solution --gravity 1.06 --volume-ml -500", "outside 10"),
        ("solution --gravity 1.06 --volume-ml 40 --resolution-g 1", "use a finer one or make more"),
        ("correct hydrometer 1,048.5 --temperature 20", "more than one point or comma"),
        ("correct hydrometer 12.5 --temperature 20", "if that was Brix or °P choose that unit"),
        ("correct hydrometer 1048 --temperature 20", "lacks its decimal point; enter 1.048"),
        ("correct hydrometer 1.048 --temperature 68", "is that °F? in °C it would be 20.0"),
        ("correct refractometer 6 --temperature 20 --og 12", "is that Brix or °P?"),
        ("correct refractometer 1.012 --temperature 20 --unit g/cm3", "not g/cm3"),
        ("correct refractometer 6 --temperature 40 --no-compensation", "room temperature"),
        ("correct hydrometer 1.048 --temperature 20 --wort --og 1.05", "leave --og out"),
        ("correct hydrometer 1.090 --temperature 20 --og 1.050", "far above the original gravity"),
        ("strength --og 1.010 --fg 1.050", "are the two swapped?"),
        ("strength --og 12.5 --fg 1.010", "is that Brix or °P?"),
    ],
)
def test_what_cannot_be_meant_is_asked_back_in_one_line(bare: Terminal, words: str, question: str) -> None:
    answer = bare.type(words)

    assert answer.code == 2
    assert question in answer.err
    assert "\n" not in answer.err
    assert answer.out == ""


def test_a_hot_solution_is_made_if_it_is_really_meant(bare: Terminal) -> None:
    assert bare.type("solution --gravity 1.06 --volume-ml 500 --temperature 70 --hot").code == 0
