"""What every package writes alike."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

from hypothesis import given
from hypothesis import strategies as st

from gylewatch.values import natural_order, utc_text

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
