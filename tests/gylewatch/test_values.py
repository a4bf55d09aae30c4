"""What every package writes alike."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

from gylewatch.values import utc_text

NOW = datetime(2026, 3, 8, 18, 30, tzinfo=UTC)


def test_times_are_iso_8601_with_z() -> None:
    assert utc_text(NOW) == "2026-03-08T18:30:00Z"


def test_a_time_elsewhere_is_written_in_utc() -> None:
    assert utc_text(NOW.astimezone(timezone(timedelta(hours=2)))) == "2026-03-08T18:30:00Z"


def test_fractions_are_kept_where_there_are_any() -> None:
    assert utc_text(NOW.replace(microsecond=250_000)) == "2026-03-08T18:30:00.250000Z"
