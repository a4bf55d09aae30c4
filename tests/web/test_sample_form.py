"""What people type, and what they are asked. Every number here is typed by hand, none comes from the code."""

from __future__ import annotations

from datetime import timedelta

import pytest

from gylewatch.values import Instrument, Sample, Unit
from tests.web.brewery import NOW, harbour_pale
from web.sample_form import parse_sample
from web.typed import Question

BATCH = harbour_pale()
GOOD = {"instrument": "hydrometer", "value": "1.020", "unit": "SG", "sample_temperature": "19.5", "time": ""}


def parse(*, fahrenheit: bool = False, **changes: str) -> Sample | tuple[Question, ...]:
    return parse_sample(GOOD | changes, BATCH, now=NOW, fahrenheit=fahrenheit)


def question(answer: Sample | tuple[Question, ...]) -> Question:
    assert isinstance(answer, tuple)
    (only,) = answer
    return only


def test_a_plain_reading_becomes_a_sample_of_now() -> None:
    assert parse() == Sample(
        time=NOW, instrument=Instrument.HYDROMETER, value=1.020, unit=Unit.SG, sample_temperature_c=19.5
    )


@pytest.mark.parametrize(
    ("changes", "value"),
    [
        ({"value": "1,020"}, 1.020),
        # Thousands make no sense in any unit of an instrument, so a comma before three digits is no question.
        ({"instrument": "refractometer", "unit": "Brix", "value": "6,125"}, 6.125),
        ({"instrument": "density-meter", "unit": "g/cm3", "value": "1,0185"}, 1.0185),
        ({"unit": "Plato", "value": "\u22120,4"}, -0.4),  # a dry beer reads below zero
    ],
)
def test_a_number_pad_with_a_comma_gives_the_same_sample(changes: dict[str, str], value: float) -> None:
    fields = GOOD | changes | {"sample_temperature": "18,5"}

    sample = parse_sample(fields, BATCH, now=NOW, fahrenheit=False)

    assert isinstance(sample, Sample)
    assert (sample.value, sample.sample_temperature_c) == (value, 18.5)


def test_the_units_chosen_may_stand_behind_the_numbers() -> None:
    assert parse(unit="Plato", value="5,1 °P", sample_temperature="19.5 °C") == parse(unit="Plato", value="5.1")
    assert parse(fahrenheit=True, sample_temperature="66 F") == parse(fahrenheit=True, sample_temperature="66")
    assert "'66 F' is not a plain number" in question(parse(sample_temperature="66 F")).sentence


def test_a_time_without_a_zone_is_utc() -> None:
    sample = parse(time="2026-03-05T08:15")

    assert isinstance(sample, Sample)
    assert sample.time.isoformat() == "2026-03-05T08:15:00+00:00"


def test_a_time_with_an_offset_is_converted() -> None:
    sample = parse(time="2026-03-05T08:15:00+02:00")

    assert isinstance(sample, Sample)
    assert sample.time.isoformat() == "2026-03-05T06:15:00+00:00"


def test_a_time_in_the_future_is_asked_about() -> None:
    assert "future" in question(parse(time=(NOW + timedelta(hours=1)).isoformat())).sentence


@pytest.mark.parametrize("typed", ["0001-01-01", "2026-02-27T18:00"])
def test_a_time_long_before_pitching_is_asked_about(typed: str) -> None:
    assert "before the beer was pitched" in question(parse(time=typed)).sentence


@pytest.mark.parametrize("typed", ["yesterday", "2026-13-01T00:00", "0001-01-01T00:00:00+23:59"])
def test_what_is_no_time_is_asked_about(typed: str) -> None:
    assert question(parse(time=typed)).field == "time"


@pytest.mark.parametrize(
    ("field", "typed", "hint"),
    [
        ("value", "1,020.5", "more than one point or comma"),
        ("sample_temperature", "1.019,5", "more than one point or comma"),
        ("value", "", "empty"),
        ("value", "about 1.02", "plain number"),
        ("value", "nan", "plain number"),
        ("value", "1e3", "plain number"),
        ("value", "1020", "1.020"),
        ("value", "5.2", "Brix"),
        ("value", "1.090", "original gravity"),
        ("sample_temperature", "68", "20.0"),
        ("instrument", "spoon", "hydrometer"),
        ("unit", "pints", "SG"),
    ],
)
def test_what_cannot_be_meant_is_asked_about_with_what_may_be(field: str, typed: str, hint: str) -> None:
    fields = GOOD | {field: typed}

    answer = parse_sample(fields, BATCH, now=NOW, fahrenheit=False)

    assert hint in question(answer).sentence


def test_a_refractometer_does_not_show_g_per_cm3() -> None:
    assert question(parse(instrument="refractometer", unit="g/cm3")).field == "unit"


def test_all_questions_are_asked_at_once() -> None:
    answer = parse(value="thin", sample_temperature="cold")

    assert isinstance(answer, tuple)
    assert [item.field for item in answer] == ["value", "sample_temperature"]


def test_a_temperature_in_fahrenheit_is_converted() -> None:
    sample = parse(fahrenheit=True, sample_temperature="68")  # 20 °C by definition

    assert isinstance(sample, Sample)
    assert sample.sample_temperature_c == pytest.approx(20.0)


def test_celsius_typed_into_a_fahrenheit_field_is_asked_about() -> None:
    assert "20 °C" in question(parse(fahrenheit=True, sample_temperature="20")).sentence
