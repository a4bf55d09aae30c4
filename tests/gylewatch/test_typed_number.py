"""Numbers as the keyboards of the world make them; each is read here by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gylewatch.typed_number import number_of, point_form, thousands_doubt, why_no_number, without_unit


@pytest.mark.parametrize(
    ("typed", "number", "shown"),
    [
        ("1.048", 1.048, "1.048"),
        ("1,048", 1.048, "1.048"),
        (" 18,5 ", 18.5, "18.5"),
        ("18,", 18.0, "18."),
        (",5", 0.5, ".5"),
        ("+6", 6.0, "+6"),
        ("-1", -1.0, "-1"),
        ("\u22121,5", -1.5, "-1.5"),  # the minus sign itself
        ("\u20131", -1.0, "-1"),  # an en dash
        ("\u0661\u066b\u0660\u0664\u0668", 1.048, "1.048"),  # Arabic digits and their decimal mark
        ("\u0967,\u0966\u096a\u096e", 1.048, "1.048"),  # Devanagari digits
        ("\uff11\uff0e\uff10\uff14\uff18", 1.048, "1.048"),  # full width
    ],
)
def test_a_number_is_read_as_its_keyboard_makes_it_and_shown_with_a_point(
    typed: str, number: float, shown: str
) -> None:
    assert number_of(typed) == number
    assert point_form(typed) == shown


@pytest.mark.parametrize(
    ("typed", "unit", "left"),
    [
        ("74 %", "%", "74"),
        ("19,5°C", "°C", "19,5"),
        ("19 c", "°C", "19"),
        ("66 F", "°C", "66 F"),  # another unit than the one meant is asked about
        ("21 litres", "l", "21"),
        ("5 gal", "l", "5 gal"),
        ("5,8 °P", "Plato", "5,8"),
        ("5.8 Plato", "Brix", "5.8 Plato"),
        ("%", "%", "%"),
        ("1.048", "SG", "1.048"),
        ("12 l", "", "12 l"),
    ],
)
def test_a_unit_behind_a_number_is_taken_off_only_where_it_is_the_one_meant(typed: str, unit: str, left: str) -> None:
    assert without_unit(typed, unit) == left


@pytest.mark.parametrize(
    "typed", ["", ",", "-", "1,048.5", "1.048,5", "1,2,3", "1 048", "1_000", "1e3", "nan", "10\u00b2", "1" * 41, "--1"]
)
def test_what_is_no_one_number_is_none_and_stays_as_it_was_typed(typed: str) -> None:
    assert number_of(typed) is None
    if len(typed) <= 40:
        assert point_form(typed) == typed


def test_marks_between_thousands_are_named() -> None:
    for typed in ("1.048,5", "1,048.5", "1,000,000", "18,5.", "1..5"):
        assert why_no_number(typed).startswith("has more than one point or comma; write one, before the decimals")
    for typed in ("ten", "1e3", "a.b.c", "..", ""):
        assert why_no_number(typed) == "is not a plain number"


@pytest.mark.parametrize(
    ("typed", "question"),
    [
        ("1,500", "did you mean 1500 or 1.5? A comma before three digits may be either; type 1500 or 1,5"),
        ("1,048", "did you mean 1048 or 1.048? A comma before three digits may be either; type 1048 or 1,0480"),
        ("20,000", "did you mean 20000 or 20? A comma before three digits may be either; type 20000 or 20"),
    ],
)
def test_a_comma_that_may_stand_between_thousands_is_asked_about_with_a_way_out(typed: str, question: str) -> None:
    assert thousands_doubt(typed, 1e6) == question
    for remedy in question.split("type ")[1].split(" or "):
        assert thousands_doubt(remedy, 1e6) == ""
        assert number_of(remedy) is not None


@pytest.mark.parametrize(
    ("typed", "most"),
    [
        ("1,048", 1.2),
        ("1,048", 999.0),
        ("-1,048", 45.0),
        ("1,48", 1e6),
        ("1,0480", 1e6),
        ("0,750", 1e6),
        ("1.500", 1e6),
    ],
)
def test_a_comma_that_can_only_be_a_decimal_one_is_no_question(typed: str, most: float) -> None:
    assert thousands_doubt(typed, most) == ""
    assert number_of(typed) is not None


@given(st.text(max_size=50))
def test_whatever_is_typed_is_a_number_or_none_and_its_point_form_is_the_same_one(typed: str) -> None:
    assert number_of(point_form(typed)) == number_of(typed)
