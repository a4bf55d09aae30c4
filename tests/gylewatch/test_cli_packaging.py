"""``prime`` and ``ledger`` at the command line, over a real database."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from gylewatch.values import Instrument, Unit
from tests.gylewatch.workbench import BATCH, Terminal, day, estimate, hand, readings

BEFORE = estimate(time=day(7), gravity_sg=1.0113)
TYPED = "prime --volumes 2.4 --warmest 20 --volume-l 20 --gravity 1.010 --earlier-gravity 1.010 --days-between 3"
BY_HAND = f"{TYPED} --expected-fg 1.010"


def test_a_rested_batch_gets_a_plan_from_its_own_estimate_and_warmth(workbench: Terminal) -> None:
    with workbench.store() as store:
        store.save_outcomes(BATCH, estimates=[BEFORE, estimate()])
        store.append_readings(readings(day(7), 1.011))

    shown = workbench.type(f"prime {BATCH} --volumes 2.4 --json").json

    # The published worked example: 20 l, warmest 20 °C, 2.4 volumes need 120.0 g of sucrose.
    assert shown["sugar_g"] == pytest.approx(120.0, abs=0.1)
    assert shown["warmest_c"] == 20.0
    # Half a point may still ferment: a quarter of a volume.
    assert shown["worst_volumes"] == pytest.approx(2.4 + 0.5 * 0.49, abs=1e-6)


def test_a_plan_by_hand_shows_pressures_and_cautions(bare: Terminal) -> None:
    answer = bare.type(BY_HAND)

    assert "120.0 g of sucrose for 20 l" in answer.out
    assert "40 °C" in answer.out
    assert "Bottles can burst" in answer.out
    assert "licensed practice" in answer.out


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"rate_high_points_per_day": 2.0}, "still falls"),
        ({"probability_still": 0.5}, "still falls, or may"),
        ({"probability_attenuated": 0.1}, "stuck beer"),
        ({"time": datetime.now(UTC) - timedelta(hours=40)}, "40 hours old"),
        ({"gravity_sg": 1.0085}, "fell by 2.8 points in the last 2 days"),
    ],
)
def test_a_beer_that_may_ferment_on_gets_no_plan(workbench: Terminal, changes: dict[str, Any], why: str) -> None:
    with workbench.store() as store:
        store.save_outcomes(BATCH, estimates=[BEFORE, estimate(**changes)])

    answer = workbench.type(f"prime {BATCH} --volumes 2.4 --warmest 20")

    assert answer.code == 2
    assert "no priming plan" in answer.err
    assert why in answer.err
    assert "sugar" not in answer.out


def test_a_beer_watched_for_a_day_gets_no_plan(workbench: Terminal) -> None:
    with workbench.store() as store:
        store.save_outcomes(BATCH, estimates=[estimate()])

    assert "watched for less than 2 days" in workbench.type(f"prime {BATCH} --volumes 2.4 --warmest 20").err


@pytest.mark.parametrize(
    ("words", "question"),
    [
        (f"prime {BATCH} --volumes 2.4", "its float was never heard"),
        (f"prime {BATCH} --volumes 2.4 --gravity 1.010", "not both"),
        ("prime --volumes 2.4", "a beer must be known to rest"),
        (TYPED, "add --expected-fg, or --og"),
        (TYPED.replace("1.010", "1.030") + " --og 1.050 --attenuation 0.80", "20.0 points above its expected end"),
        (BY_HAND.replace("--warmest 20 ", ""), "--warmest are needed"),
        (BY_HAND.replace("--earlier-gravity 1.010", "--earlier-gravity 1.013"), "fell by 3.0 points"),
        (BY_HAND.replace("--warmest 20", "--warmest 68"), "in °C it would be 20.0"),
        (BY_HAND.replace("2.4", "2,4.0"), "more than one point or comma"),
        (BY_HAND.replace("2.4", "3.4"), "choose less carbonation"),
        ("prime other --volumes 2.4", "no batch is called 'other'"),
    ],
)
def test_an_unclear_wish_is_asked_back(workbench: Terminal, words: str, question: str) -> None:
    answer = workbench.type(words)

    assert answer.code == 2
    assert question in answer.err


def test_the_ledger_counts_beer_and_says_when_a_sample_is_worth_most(workbench: Terminal) -> None:
    with workbench.store() as store:
        store.add_sample(BATCH, hand(Instrument.HYDROMETER, day(0), 1.050))
        store.add_sample(BATCH, hand(Instrument.REFRACTOMETER, day(3), 8.0, Unit.BRIX))
        store.save_outcomes(BATCH, estimates=[estimate(gravity_low_sg=1.008, gravity_high_sg=1.014)])

    text = workbench.type(f"ledger {BATCH}").out
    shown = workbench.type(f"ledger {BATCH} --json").json

    # One jar and a few drops against nine full days of a daily jar of 175 ml.
    assert shown["drawn_ml"] == pytest.approx(175.3)
    assert shown["saved_ml"] == pytest.approx(9 * 175 - 175.3)
    assert "A sample is worth most now" in text
    assert "Never pour a sample back" in text


def test_a_batch_without_an_estimate_has_a_ledger_without_advice(workbench: Terminal) -> None:
    answer = workbench.type(f"ledger {BATCH}")

    assert "no samples were drawn" in answer.out
    assert "nothing to say about a further sample" in answer.out


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ("vessel add FV9 --volume-l 1,500", "did you mean 1500 or 1.5?"),
        ("alert snooze 1 --hours 1e1", "'1e1' is not a plain number"),
    ],
)
def test_every_number_is_read_in_the_same_way(workbench: Terminal, words: str, sentence: str) -> None:
    answer = workbench.type(words)

    assert answer.code == 2
    assert sentence in answer.err
    assert "FLOAT " not in workbench.type([*words.split()[:2], "--help"]).out


def test_a_decimal_comma_is_taken_and_shown_as_a_point(workbench: Terminal) -> None:
    assert workbench.type("vessel add FV9 --volume-l 30,5").code == 0

    assert "30.5 l" in workbench.type("vessel list").out


def test_a_sample_far_from_the_estimate_needs_a_second_look(workbench: Terminal) -> None:
    with workbench.store() as store:
        store.save_outcomes(BATCH, estimates=[estimate()])
    words = f"sample add {BATCH} --instrument hydrometer --unit SG --temperature-c 20 --value"

    far, near, sure = (workbench.type(f"{words} {end}") for end in ("1.022", "1.012", "1.022 --sure"))

    assert far.code == 2
    assert "lies 11.0 points above the estimate of 1.0110" in far.err
    assert (near.code, sure.code) == (0, 0)


@pytest.mark.parametrize(("value", "asks"), [("1.011", True), ("0.2", False)])
def test_an_sg_that_stands_there_as_plato_is_guessed(workbench: Terminal, value: str, asks: bool) -> None:
    with workbench.store() as store:
        store.save_outcomes(BATCH, estimates=[estimate(gravity_sg=1.0310)])

    said = workbench.type(f"sample add {BATCH} --instrument hydrometer --unit Plato --temperature-c 20 --value {value}")

    assert said.code == 2
    assert ("Was 1.011 an SG? Then choose that unit." in said.err) is asks


def test_a_withdrawn_sample_is_gone_from_the_list_and_the_ledger(workbench: Terminal) -> None:
    with workbench.store() as store:
        mistyped = store.add_sample(BATCH, hand(Instrument.HYDROMETER, day(1), 1.104))

    assert workbench.type(f"sample withdraw {BATCH} {mistyped}").code == 0

    assert "no samples yet" in workbench.type(f"sample list {BATCH}").out
    assert "no samples were drawn" in workbench.type(f"ledger {BATCH}").out
    assert "no sample is called" in workbench.type(f"sample withdraw {BATCH} {mistyped}").err


def test_a_batch_entered_by_mistake_is_removed_and_its_name_and_float_are_free(workbench: Terminal) -> None:
    with workbench.store() as store:
        store.save_outcomes(BATCH, estimates=[estimate()])
        store.add_sample(BATCH, hand(Instrument.HYDROMETER, day(1), 1.040))

    refused = workbench.type(f"batch remove {BATCH}")
    removed = workbench.type(f"batch remove {BATCH} --yes")

    assert refused.code == 2
    assert "add --yes" in refused.err
    assert removed.code == 0
    assert workbench.type("batch add batch.toml").code == 0
    assert "no samples yet" in workbench.type(f"sample list {BATCH}").out


def test_no_command_shows_help_and_a_mistyped_one_gets_a_suggestion(bare: Terminal) -> None:
    alone, mistyped = bare.type([]), bare.type("comapre x")

    assert alone.code == 0
    assert "Commands:" in alone.out
    assert mistyped.code == 2
    assert "did you mean 'compare'?" in mistyped.err


def test_an_alert_named_by_its_kind_is_asked_for_by_number(workbench: Terminal) -> None:
    assert "gylewatch alert list shows the numbers" in workbench.type("alert acknowledge float-silent").err
