"""What every package writes alike."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gylewatch.values import natural_order, slug, utc_text

NOW = datetime(2026, 3, 8, 18, 30, tzinfo=UTC)


def test_times_are_iso_8601_with_z() -> None:
    assert utc_text(NOW) == "2026-03-08T18:30:00Z"


def test_a_time_elsewhere_is_written_in_utc() -> None:
    assert utc_text(NOW.astimezone(timezone(timedelta(hours=2)))) == "2026-03-08T18:30:00Z"


def test_fractions_are_kept_where_there_are_any() -> None:
    assert utc_text(NOW.replace(microsecond=250_000)) == "2026-03-08T18:30:00.250000Z"


def test_numbers_within_names_are_ordered_as_numbers() -> None:
    names = ["FV10", "fv1", "FV2", "FV02", "keg", "FV1-b", "FV1-10", "FV1-9", "7", "10"]

    assert sorted(names, key=natural_order) == [
        "7", "10", "fv1", "FV1-9", "FV1-10", "FV1-b", "FV02", "FV2", "FV10", "keg",
    ]  # fmt: skip


@given(names=st.lists(st.text(max_size=12)))
def test_any_names_can_be_ordered_and_the_order_does_not_depend_on_where_they_stood(names: list[str]) -> None:
    backwards = names[::-1]

    assert sorted(names, key=natural_order) == sorted(backwards, key=natural_order)


def test_more_digits_than_an_integer_may_be_read_from_are_ordered_too() -> None:
    assert sorted(["9" * 6000, "1" * 6001, "8" * 6000], key=natural_order) == ["8" * 6000, "9" * 6000, "1" * 6001]


@pytest.mark.parametrize(
    ("name", "identifier"),
    [
        ("Harbour Pale", "harbour-pale"),
        ("Märzen № 1 – Überraschung 🍺", "marzen-no-1-uberraschung"),
        ("Weißbier, Øl & Bière", "weissbier-ol-biere"),
        ("Żywe Łódzkie", "zywe-lodzkie"),
    ],
)
def test_a_batch_s_identifier_reads_like_its_name(name: str, identifier: str) -> None:
    assert slug(name) == identifier


@pytest.mark.parametrize(
    ("one", "other"), [("Тёмное 5", "Светлое 5"), ("生ビール", "黒ビール"), ("a" * 60, "a" * 61), ("🍺", "🍻")]
)
def test_names_that_differ_in_what_an_identifier_cannot_hold_are_kept_apart(one: str, other: str) -> None:
    assert slug(one) != slug(other)
    assert slug(one) == slug(one)


@given(name=st.text())
def test_any_name_gives_an_identifier_that_fits_a_topic_and_an_address(name: str) -> None:
    assert re.fullmatch(r"[a-z0-9](-?[a-z0-9]){0,47}", slug(name))
