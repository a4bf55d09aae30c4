"""A batch that a person types, and what is asked back. Every number here is typed by hand, none comes from the code."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from gylewatch.batch_file import read_batch
from gylewatch.errors import InputError
from gylewatch.values import Addition, Batch, HandSettings, PlanStep
from tests.web.brewery import NOW, PITCHED, harbour_pale
from web.batch_form import batch_fields, doubts, fingerprint, parse_batch, rows_of
from web.typed import Question

GOOD = {
    "name": "Quay Stout",
    "volume": "21",
    "pitched": "",
    "original_gravity": "",
    "attenuation_low": "74",
    "attenuation_high": "80",
    "temperature_low": "18",
    "temperature_high": "20.5",
    "vessel": "FV1",
    "float": "heron",
}
OWN = HandSettings(hydrometer_offset_sg=0.001)


def parse(
    changes: Mapping[str, str] | None = None,
    *,
    fields: Mapping[str, str] = GOOD,
    fahrenheit: bool = False,
    before: Batch | None = None,
    **more: str,
) -> Batch | tuple[Question, ...]:
    typed = {**fields, **(changes or {}), **more}
    return parse_batch(typed, now=NOW, fahrenheit=fahrenheit, instruments=OWN, before=before)


def batch(answer: Batch | tuple[Question, ...]) -> Batch:
    assert isinstance(answer, Batch), answer
    return answer


def questions(answer: Batch | tuple[Question, ...]) -> dict[str, str]:
    assert isinstance(answer, tuple)
    return {question.field: question.sentence for question in answer}


def test_what_is_typed_becomes_a_batch_that_is_pitched_now() -> None:
    assert parse() == Batch(
        name="Quay Stout",
        volume_l=21.0,
        pitched=NOW,
        expected_attenuation=(0.74, 0.80),
        temperature_c=(18.0, 20.5),
        vessel=harbour_pale().vessel,
        float_id=harbour_pale().float_id,
        instruments=OWN,
    )


def test_pitching_original_gravity_steps_and_additions_may_be_typed() -> None:
    found = batch(
        parse(
            pitched="2026-03-02T20:30+02:00",
            original_gravity="1.0523",
            plan_2_from="2026-03-09T08:00",
            plan_2_low="2",
            plan_2_high="5",
            plan_2_label="cold crash",
            addition_1_time="2026-03-05T10:00",
            addition_1_points="6",
            addition_1_label="candy sugar",
            addition_3_time="2026-03-06T10:00",
        )
    )

    assert found.pitched == PITCHED
    assert found.original_gravity_sg == 1.0523
    crash = PlanStep(start=datetime(2026, 3, 9, 8, tzinfo=UTC), temperature_c=(2.0, 5.0), label="cold crash")
    assert found.plan == (crash,)
    sugar = Addition(time=datetime(2026, 3, 5, 10, tzinfo=UTC), gravity_points=6.0, label="candy sugar")
    assert found.additions == (sugar, Addition(time=datetime(2026, 3, 6, 10, tzinfo=UTC)))


@pytest.mark.parametrize(("sugar", "points", "called"), [("", 5.2, "sucrose"), ("dextrose", 4.7, "dextrose")])
def test_of_a_sugar_the_grams_are_enough(sugar: str, points: float, called: str) -> None:
    typed = {"addition_1_time": "2026-03-05T10:00", "addition_1_grams": "300 g", "addition_1_sugar": sugar}

    (found,) = batch(parse(typed, pitched="2026-03-02T18:30", addition_1_label="syrup")).additions

    # Sucrose takes 0.617 ml/g in solution: (21 x 1.030 x 0.9982 + 0.3) kg in (21 + 0.3 x 0.617) l is 1.0352.
    assert (found.gravity_points, found.label) == (points, f"syrup, 300 g of {called}")


@pytest.mark.parametrize(
    ("typed", "field", "question"),
    [
        ({"grams": "0.3"}, "addition_1_grams", "0.3 g of sucrose in 21 l raise the gravity by less than 0.1 points; "),
        ({"grams": "30000"}, "addition_1_grams", "30000 g of sucrose in 21 l raise the gravity by more than 100 "),
        ({"grams": "300", "points": "6"}, "addition_1_grams", "give either the rise in points or the grams"),
        ({"grams": "300", "time": ""}, "addition_1_time", "When did addition 1 go in? The field is empty."),
        ({"grams": "300", "label": "x" * 90}, "addition_1_label", "is too long to have the grams beside it"),
    ],
)
def test_grams_that_cannot_be_meant_are_asked_about(typed: dict[str, str], field: str, question: str) -> None:
    row = {"time": "2026-03-05T10:00"} | typed

    asked = questions(parse({f"addition_1_{part}": text for part, text in row.items()}, pitched="2026-03-02T18:30"))

    assert asked.keys() == {field}
    assert question in asked[field]


def test_grams_without_a_volume_ask_for_the_volume_alone() -> None:
    asked = questions(parse(volume="", addition_1_time="2026-03-09T10:00", addition_1_grams="300"))

    assert asked == {"volume": "What is the volume in litres? The field is empty."}


def test_a_number_pad_without_a_point_fills_the_whole_form() -> None:
    typed = {"volume": "20,5", "original_gravity": "1,048", "attenuation_low": "74,5", "temperature_high": "20,5"}
    step = {"plan_1_from": "2026-03-09T08:00", "plan_1_low": "\u22121,5", "plan_1_high": "\u20130,5"}
    sugar = {"addition_1_time": "2026-03-09T08:00", "addition_1_points": "6,125"}

    found = batch(parse(typed | step | sugar))

    assert (found.volume_l, found.original_gravity_sg) == (20.5, 1.048)
    assert (found.expected_attenuation, found.temperature_c) == ((0.745, 0.80), (18.0, 20.5))
    assert found.plan[0].temperature_c == (-1.5, -0.5)
    assert found.additions[0].gravity_points == 6.125


def test_units_behind_the_numbers_are_those_of_the_form() -> None:
    units = {
        "volume": "21 l",
        "original_gravity": "1.052 SG",
        "attenuation_low": "74 %",
        "attenuation_high": "80%",
        "temperature_low": "18 °C",
        "temperature_high": "20.5 C",
    }

    assert batch(parse(units)) == batch(parse(original_gravity="1.052"))
    asked = questions(parse(temperature_high="69 F"))
    assert asked == {
        "temperature_high": "What is the upper end of the wanted temperature? '69 F' is not a plain number."
    }


@pytest.mark.parametrize(
    ("typed", "unit"), [("13", "Plato"), ("13,0", "Plato"), ("13 °P", ""), ("13 plato", ""), ("13°P", "Plato")]
)
def test_an_original_gravity_may_be_typed_in_plato(typed: str, unit: str) -> None:
    # The ASBC table gives 1.0526 for 13.0 °P.
    found = batch(parse(original_gravity=typed, original_gravity_unit=unit)).original_gravity_sg

    assert found == pytest.approx(1.0526, abs=0.00005)


@pytest.mark.parametrize(
    ("typed", "unit", "question"),
    [
        ("1052", "", "must be 1.005 to 1.2 SG; did you mean 1.052?"),
        ("13", "", "must be 1.005 to 1.2 SG; is that Brix or °P?"),
        ("1.052", "Plato", "must be 1.3 to 35 °P; is that SG? choose that unit."),
        ("52", "Plato", "must be 1.3 to 35 °P."),
        ("1.052 SG", "Plato", "What is the original gravity in °P? '1.052 SG' is not a plain number."),
    ],
)
def test_an_original_gravity_in_another_unit_than_the_one_chosen_is_asked_about(
    typed: str, unit: str, question: str
) -> None:
    asked = questions(parse(original_gravity=typed, original_gravity_unit=unit))

    assert asked.keys() == {"original_gravity"}
    assert question in asked["original_gravity"]


def test_an_original_gravity_that_stood_as_sg_is_not_taken_for_plato_unseen() -> None:
    shown = batch_fields(harbour_pale(), fahrenheit=False)

    asked = questions(parse(fields=shown, before=harbour_pale(), original_gravity_unit="Plato"))

    assert asked.keys() == {"original_gravity"}


def test_steps_are_put_in_order_of_time_and_a_question_names_the_row_that_was_typed() -> None:
    late = {"plan_1_from": "2026-03-12T08:00", "plan_1_low": "2", "plan_1_high": "5"}
    early = {"plan_2_from": "2026-03-09T08:00", "plan_2_low": "20", "plan_2_high": "22"}

    found = batch(parse(late | early, pitched="2026-03-02T18:30"))
    asked = questions(parse(late | early, pitched="2026-03-02T18:30", plan_2_low="64", plan_2_high="68"))

    assert [step.temperature_c for step in found.plan] == [(20.0, 22.0), (2.0, 5.0)]
    assert asked == {
        "plan_2_low": "Wanted temperature of step 2: must be -5 to 50 °C; is that °F? in °C it would be 17.8 to 20.0."
    }


@pytest.mark.parametrize(
    ("field", "typed", "sentence"),
    [
        ("name", " ", "What is the beer called? The field is empty."),
        ("name", "x" * 101, "Name: must be one line of at most 100 characters, none of them invisible."),
        ("volume", "", "What is the volume in litres? The field is empty."),
        ("volume", "1,500", "Did you mean 1500 or 1.5? A comma before three digits may be either; type 1500 or 1,5."),
        ("temperature_low", "1.018,5", "What is the lower end of the wanted temperature? '1.018,5' has more than one"),
        ("volume", "0", "Volume: must be 0.1 to 1000000 l."),
        ("original_gravity", "1052", "Original gravity: must be 1.005 to 1.2 SG; did you mean 1.052?"),
        (
            "original_gravity",
            "13",
            "Original gravity: must be 1.005 to 1.2 SG; is that Brix or °P? as SG it would be about 1.053 (if it is "
            "points, 1.013).",
        ),
        ("attenuation_low", "85", "Expected attenuation: the lower end must lie below the upper end."),
        ("attenuation_low", "12", "Expected attenuation: must be 20 to 120 %."),
        ("temperature_low", "64", "Wanted temperature: must be -5 to 50 °C."),
        ("temperature_low", "21", "Wanted temperature: the lower end must lie below the upper end."),
        ("temperature_high", "", "What is the upper end of the wanted temperature? The field is empty."),
        ("pitched", "2026-03-08T20:00", "Pitched: 2026-03-08 20:00Z lies in the future; add the batch when the yeast"),
        ("pitched", "1926-03-02T18:30", "Pitched: must lie between the years 1990 and 2100."),
        ("pitched", "noon", "When was the yeast pitched? 'noon' is not a time such as 2026-03-05T18:30 (UTC)."),
        ("vessel", "", "Which vessel is the beer in? Choose one, or name a new one."),
        ("float", "", "Which float lies in the beer? Choose one, or name a new one."),
        ("new_float", "red heron", "Float name 'red heron' is not usable: 1 to 63 plain letters"),
    ],
)
def test_what_cannot_be_meant_is_asked_about_at_its_field(field: str, typed: str, sentence: str) -> None:
    asked = questions(parse({field: typed}))

    assert asked[field].startswith(sentence)


def test_a_row_that_is_filled_in_by_half_is_asked_about() -> None:
    asked = questions(parse(plan_1_label="rest", plan_1_high="22", addition_2_points="6"))

    assert asked == {
        "plan_1_from": "From when on is step 1 wanted? The field is empty.",
        "plan_1_low": "What is the lower end of the wanted temperature of step 1? The field is empty.",
        "addition_2_time": "When did addition 2 go in? The field is empty.",
    }


def test_all_questions_are_asked_at_once_and_each_field_is_asked_about_once() -> None:
    asked = parse(fields={})

    assert isinstance(asked, tuple)
    assert [question.field for question in asked] == [
        "name",
        "volume",
        "attenuation_low",
        "attenuation_high",
        "temperature_low",
        "temperature_high",
        "vessel",
        "float",
    ]


def test_questions_stand_in_the_order_of_the_fields() -> None:
    asked = parse(addition_1_points="6", plan_2_label="rest", new_float="red heron", volume="-1", name="")

    assert isinstance(asked, tuple)
    order = ["name", "volume", "new_float", "plan_2_from", "plan_2_low", "plan_2_high", "addition_1_time"]
    assert [question.field for question in asked] == order


@pytest.mark.parametrize(
    ("typed", "key", "written", "question"),
    [
        ({"volume": "0"}, "volume_l = 21.0", "volume_l = 0.0", "must be 0.1 to 1000000 l"),
        ({"original_gravity": "52"}, "volume_l", "original_gravity = 52\nvolume_l", "are those points? as SG they are"),
        ({"temperature_low": "64", "temperature_high": "68"}, "[18.0, 20.5]", "[64, 68]", "is that °F? in °C it would"),
        ({"new_vessel": "FV 1"}, '"FV1"', '"FV 1"', "vessel name 'FV 1' is not usable: 1 to 63 plain letters"),
        (
            {"plan_1_from": "2026-03-01T08:00", "plan_1_low": "2", "plan_1_high": "5"},
            'float = "heron"',
            'float = "heron"\n[[batch.plan]]\nfrom = 2026-03-01T08:00:00Z\ntemperature_c = [2, 5]',
            "lies before pitching; what is wanted from pitching on is the batch's own wanted range",
        ),
        (
            {"addition_1_time": "2026-03-05T08:00", "addition_1_points": "1.006"},
            'float = "heron"',
            'float = "heron"\n[[batch.addition]]\ntime = 2026-03-05T08:00:00Z\ngravity_points = 1.006',
            "is that an SG? as a rise it is 6 points",
        ),
    ],
)
def test_the_page_and_the_terminal_say_the_same(
    tmp_path: Path, typed: dict[str, str], key: str, written: str, question: str
) -> None:
    file = tmp_path / "batch.toml"
    text = (
        '[batch]\nname = "Quay Stout"\nvolume_l = 21.0\npitched = 2026-03-02T18:30:00Z\n'
        'expected_attenuation = [0.74, 0.80]\ntemperature_c = [18.0, 20.5]\nvessel = "FV1"\nfloat = "heron"\n'
    )
    file.write_text(text.replace(key, written, 1), encoding="utf-8")

    (asked,) = questions(parse(typed, pitched="2026-03-02T18:30")).values()
    with pytest.raises(InputError) as refusal:
        read_batch(file)

    assert question in asked[:1].lower() + asked[1:]
    assert question in str(refusal.value)


def test_fractions_typed_as_per_cent_are_asked_about() -> None:
    asked = questions(parse(attenuation_low="0.74", attenuation_high="0.8"))

    sentence = "Expected attenuation: must be 20 to 120 %; is that a fraction? in per cent it would be 74 to 80."
    assert asked == {"attenuation_low": sentence}


def test_the_wanted_range_is_typed_in_fahrenheit_where_the_page_is_set_to_it() -> None:
    found = batch(parse(fahrenheit=True, temperature_low="64.4", temperature_high="68.9"))  # 18 and 20.5 °C
    asked = questions(parse(fahrenheit=True))

    assert found.temperature_c == pytest.approx((18.0, 20.5))
    assert asked == {
        "temperature_low": "Wanted temperature: must be 23 to 122 °F; is that °C? in °F it would be 64.4 to 68.9."
    }


@pytest.mark.parametrize("fahrenheit", [False, True])
def test_a_form_that_is_sent_as_it_was_shown_changes_nothing_to_the_last_digit(*, fahrenheit: bool) -> None:
    before = replace(
        harbour_pale(),
        pitched=PITCHED.replace(second=17, microsecond=123456),
        volume_l=21.123456789,
        original_gravity_sg=1.05234,
        expected_attenuation=(0.7412345678, 0.80),
        temperature_c=(18.123456789, 20.0),
        plan=(PlanStep(start=PITCHED + timedelta(days=5, seconds=3), temperature_c=(2.1, 5.3), label="crash"),),
        additions=(Addition(time=PITCHED + timedelta(days=2, seconds=9), gravity_points=6.125), Addition(time=NOW)),
    )

    fields = batch_fields(before, fahrenheit=fahrenheit)

    assert parse_batch(fields, now=NOW, fahrenheit=fahrenheit, instruments=before.instruments, before=before) == before
    changed = fields | {"volume": "20"}
    found = parse_batch(changed, now=NOW, fahrenheit=fahrenheit, instruments=before.instruments, before=before)
    assert found == replace(before, volume_l=20.0)


def test_a_time_that_a_browser_sends_with_its_zone_is_the_one_that_was_shown() -> None:
    before = replace(harbour_pale(), pitched=PITCHED.replace(second=17))
    fields = batch_fields(before, fahrenheit=False) | {"pitched": "2026-03-02T18:30:00.000Z"}

    assert batch(parse(before=before, fields=fields)).pitched == before.pitched


def test_an_empty_time_of_pitching_is_asked_about_once_there_was_one() -> None:
    fields = batch_fields(harbour_pale(), fahrenheit=False) | {"pitched": ""}

    asked = questions(parse(before=harbour_pale(), fields=fields))

    assert asked == {"pitched": "When was the yeast pitched? The field is empty."}


def test_what_is_hardly_meant_is_doubted() -> None:
    hot = replace(harbour_pale(), temperature_c=(45.0, 50.0))

    (question,) = doubts(hot, None, fahrenheit=False)
    (another,) = doubts(replace(harbour_pale(), temperature_c=(12.0, 14.0)), harbour_pale(), fahrenheit=False)

    assert question.sentence == (
        "A wanted range of 45 °C or more: if that is °F, write it in °C (7.2 to 10.0), and otherwise confirm it below."
    )
    assert "is what was wanted from pitching on, until the first step of the plan" in another.sentence
    assert doubts(hot, None, fahrenheit=True) == doubts(harbour_pale(), harbour_pale(), fahrenheit=False) == ()


def test_a_form_has_rows_to_spare() -> None:
    assert rows_of({}, "plan") == 3
    assert rows_of(batch_fields(harbour_pale(), fahrenheit=False), "plan") == 4
    assert rows_of({"plan_4_from": "", "addition_2_label": "hops"}, "plan") == 3


def test_the_fingerprint_changes_with_a_fact() -> None:
    assert fingerprint(harbour_pale()) == fingerprint(harbour_pale())
    assert fingerprint(harbour_pale()) != fingerprint(replace(harbour_pale(), volume_l=20.0))
