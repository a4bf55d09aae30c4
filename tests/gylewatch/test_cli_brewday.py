"""``brewday`` at the command line."""

from __future__ import annotations

import pytest

from tests.gylewatch.workbench import BATCH, Terminal


def test_the_boil_off_to_a_target_is_told_with_the_time_it_takes(bare: Terminal) -> None:
    shown = bare.type("brewday boil --gravity 1.0400 --volume-l 25 --target 1.0613 --rate 3 --json").json

    # 10 °P and 15 °P (ICUMSA 1.0400 and 1.0611, 1.0613 is 15.05 °P): a third of the wort's mass goes, 8.7 of 26 kg.
    before, after = shown["before"], shown["after"]
    assert after["mass_kg"] / before["mass_kg"] == pytest.approx(2 / 3, abs=0.005)
    assert shown["water_kg"] == pytest.approx(before["mass_kg"] - after["mass_kg"], abs=1e-6)
    assert shown["hours"] == pytest.approx(shown["water_l"] / 3, abs=1e-6)
    assert "lid" in shown["caution"]


def test_a_boil_of_so_many_hours_is_foretold(bare: Terminal) -> None:
    answer = bare.type("brewday boil --gravity 1.042 --volume-l 28 --temperature 100 --hours 1 --rate 3.5")

    assert "boils off  3.50 l of water" in answer.out
    assert "wear gloves" in answer.out


def test_dilution_tells_the_water_to_add(bare: Terminal) -> None:
    shown = bare.type("brewday dilute --gravity 1.0611 --volume-l 20 --target 1.0400 --json").json

    # From 15 % to 10 % by mass the wort's mass grows by half.
    assert shown["water_kg"] == pytest.approx(0.5 * shown["before"]["mass_kg"], rel=0.01)


def test_a_balance_that_misses_extract_says_so(bare: Terminal) -> None:
    line = (
        "brewday balance --pre-gravity 1.042 --pre-volume-l 28 --pre-temperature 65 "
        "--post-gravity 1.050 --post-volume-l 19 --post-temperature 20"
    )

    assert "kg of extract are missing" in bare.type(line).out
    assert bare.type(f"{line} --json").json["agrees"] is False


def test_running_wort_is_read_from_a_few_cooled_drops(bare: Terminal) -> None:
    answer = bare.type("brewday gravity --brix 12.48 --temperature 66")

    assert "1.0484 ±" in answer.out
    assert "12.00 °P" in answer.out
    assert "scalds" in answer.out


def test_the_pitching_gravity_becomes_the_original_gravity(workbench: Terminal) -> None:
    refused = workbench.type(f"brewday pitch {BATCH} --gravity 1.0480")
    stored = workbench.type(f"brewday pitch {BATCH} --gravity 1.0480 --replace --json")

    assert refused.code == 2
    assert "1.0500 already; is 1.0480 right? then add --replace" in refused.err
    assert stored.json["original_gravity_sg"] == 1.048
    with workbench.store() as store:
        assert store.batch(BATCH).batch.original_gravity_sg == 1.048


@pytest.mark.parametrize(
    ("words", "question"),
    [
        ("brewday boil --gravity 1.05 --volume-l 25", "give either --target, or --hours with --rate"),
        ("brewday boil --gravity 1.05 --volume-l 25 --hours 1", "how many litres of water boil off"),
        ("brewday boil --gravity 1.05 --volume-l 25 --target 1.04", "dilute instead"),
        ("brewday boil --gravity 12 --volume-l 25 --target 1.06", "is that Brix or °P?"),
        ("brewday boil --gravity 1.05 --volume-l 25 --hours 8 --rate 20", "check the rate and the time"),
        ("brewday boil --gravity 1.05 --volume-l 2,500 --target 1.06", "did you mean 2500 or 2.5?"),
        ("brewday dilute --gravity 1.05 --volume-l 25 --target 1.06", "boil longer instead"),
        ("brewday gravity --brix 1.048 --temperature 66", "looks like SG"),
        ("brewday gravity --brix 12 --temperature 152", "in °C it would be 66.7"),
    ],
)
def test_what_cannot_be_meant_is_asked_back(bare: Terminal, words: str, question: str) -> None:
    answer = bare.type(words)

    assert answer.code == 2
    assert question in answer.err
