"""A forecast finish is told to the hour of the clock that is read."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo

import pytest

from gylewatch.finish_time import to_the_hour

KOLKATA = ZoneInfo("Asia/Kolkata")  # 5:30 h ahead of UTC


@pytest.mark.parametrize(
    ("zone", "time", "told"),
    [
        (UTC, "2026-03-08T17:29:59+00:00", "2026-03-08T17:00:00+00:00"),
        (UTC, "2026-03-08T17:30:00+00:00", "2026-03-08T18:00:00+00:00"),
        (UTC, "2026-03-08T23:45:00+00:00", "2026-03-09T00:00:00+00:00"),
        (KOLKATA, "2026-03-08T17:29:00+00:00", "2026-03-08T23:00:00+05:30"),  # 22:59 there
        (KOLKATA, "2026-03-08T17:55:00+00:00", "2026-03-08T23:00:00+05:30"),  # 23:25 there
        (KOLKATA, "2026-03-08T18:05:00+00:00", "2026-03-09T00:00:00+05:30"),  # 23:35 there
    ],
)
def test_the_nearest_full_hour_is_that_of_the_zone(zone: tzinfo, time: str, told: str) -> None:
    assert to_the_hour(datetime.fromisoformat(time), zone).isoformat() == told
