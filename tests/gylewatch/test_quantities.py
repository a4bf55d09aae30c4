"""Numbers as people type them: taken, or asked back with what was probably meant."""

from __future__ import annotations

import click
import pytest

from gylewatch.quantities import COOL_C, GRAVITY, HOT_C, LITRES, Gravity, Number, in_any_case
from gylewatch.values import Unit


def test_a_plain_number_is_taken() -> None:
    assert GRAVITY.convert("1.048", None, None) == 1.048
    assert COOL_C.convert("-1", None, None) == -1.0


@pytest.mark.parametrize(
    ("typed", "meant"), [("plato", "Plato"), (" SG", "SG"), ("G/CM3", "g/cm3"), ("pints", "pints")]
)
def test_a_word_is_known_in_any_case(typed: str, meant: str) -> None:
    assert in_any_case(typed, Unit) == meant


def test_a_decimal_comma_is_a_point() -> None:
    assert GRAVITY.convert("1,048", None, None) == 1.048
    assert LITRES.convert("20,5", None, None) == 20.5
    assert Number(grouped=False).convert("1,048", None, None) == 1.048


@pytest.mark.parametrize(
    ("quantity", "typed", "question"),
    [
        (LITRES, "1,500", r"did you mean 1500 or 1\.5\?"),
        (LITRES, "1.500,5", "more than one point or comma"),
        (GRAVITY, "1048", r"did you mean 1\.048\?"),
        # ASBC table: 12 °P is 1.04837.
        (GRAVITY, "12", r"is that Brix or °P\? as SG it would be about 1\.048"),
        # Ambiguous between sugar and points; 0 is plain water in either.
        (GRAVITY, "12", r"\(if it is points, 1\.012\)"),
        (GRAVITY, "0", r"is that Brix or °P\? as SG it would be about 1\.000"),
        (GRAVITY, "48", r"are those points\? as SG they are 1\.048"),
        (GRAVITY, "0.5", "outside 0.98 to 1.2"),
        # 68 °F is exactly 20 °C.
        (COOL_C, "68", r"is that °F\? in °C it would be 20\.0"),
        (HOT_C, "152", r"is that °F\? in °C it would be 66\.7"),
        (COOL_C, "500", "outside -2 to 45"),
        (Number("l"), "twelve", "not a plain number"),
        (Number("l"), "nan", "not a plain number"),
        (Number("l"), "1_000", "not a plain number"),
        (Gravity(low=1.0), "1e0", "not a plain number"),
    ],
)
def test_what_cannot_be_meant_is_asked_back(quantity: Number, typed: str, question: str) -> None:
    with pytest.raises(click.BadParameter, match=question) as asked:
        quantity.convert(typed, None, None)

    assert "\n" not in asked.value.message
