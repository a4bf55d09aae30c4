from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from gylewatch.errors import InputError
from tests.web import brewery
from web.calibration_form import gravities_of, moment_of, sd_of, window_for


def test_gravities_stand_with_spaces_between_them() -> None:
    assert gravities_of(" 1.000  1.020;1.04\n") == (1.0, 1.02, 1.04)


def test_commas_between_gravities_that_have_their_point_are_no_decimal_commas() -> None:
    assert gravities_of("1.000,1.020, 1.040,") == (1.0, 1.02, 1.04)


@pytest.mark.parametrize("typed", ["1,000 1,020 1,04", "1,000; 1,020;1,040", "1,000, 1,020, 1,040,", "1 1,020 1.040"])
def test_a_comma_within_a_gravity_is_a_decimal_one(typed: str) -> None:
    assert gravities_of(typed) == (1.0, 1.02, 1.04)


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ("1,000,1,020", "is not one number; put spaces between the gravities"),
        ("1.0 ten", "'ten' is not a plain number"),
    ],
)
def test_a_gravity_that_is_no_number_is_asked_about(typed: str, why: str) -> None:
    with pytest.raises(InputError, match=why.replace("?", r"\?")):
        gravities_of(typed)


def test_an_uncertainty_is_typed_in_points() -> None:
    assert sd_of("0.4") == sd_of("0,4") == pytest.approx(0.0004)
    assert sd_of(" ") is None


@pytest.mark.parametrize("typed", ["0", "21", "-1"])
def test_an_uncertainty_that_cannot_be_used_is_refused(typed: str) -> None:
    with pytest.raises(InputError, match="more than 0, up to 20"):
        sd_of(typed)


@pytest.mark.parametrize("typed", ["", "yesterday", "2026-03-02T18:30:00"])
def test_an_address_with_no_usable_time_gives_none(typed: str) -> None:
    assert moment_of(typed) is None


def test_a_time_in_an_address_comes_back() -> None:
    assert moment_of("2026-03-02T18:30:00Z") == datetime(2026, 3, 2, 18, 30, tzinfo=UTC)


@pytest.mark.parametrize(("every_h", "expected"), [(1 / 60, timedelta(minutes=6)), (0.25, timedelta(minutes=90))])
def test_a_float_that_reports_seldom_is_judged_over_a_longer_stretch(every_h: float, expected: timedelta) -> None:
    readings = [brewery.reading(number * every_h) for number in range(12)]

    assert window_for(readings) == expected
    assert window_for(readings[:1]) == timedelta(minutes=3)
