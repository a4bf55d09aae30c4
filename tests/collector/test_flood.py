"""The token bucket. Expected numbers by counting."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from collector.flood import MOST_SENDERS, Allowance, FloodLimits, remembered, spend

NOW = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)
LIMITS = FloodLimits(burst=10, rate_per_s=2.0)


def passed(offsets_s: list[float]) -> int:
    allowances: dict[str, Allowance] = {}
    count = 0
    for offset_s in offsets_s:
        allowances["a"], passes = spend(LIMITS, allowances, "a", NOW + timedelta(seconds=offset_s))
        count += passes
    return count


def test_a_burst_passes_up_to_the_size_of_the_bucket() -> None:
    assert passed([0.0] * 25) == 10


def test_the_bucket_refills_at_its_rate() -> None:
    assert passed([0.0] * 25 + [3.0] * 25) == 10 + 6


def test_a_sender_within_the_rate_always_passes() -> None:
    assert passed([0.5 * n for n in range(200)]) == 200


def test_a_clock_set_back_refills_nothing() -> None:
    assert passed([0.0] * 10 + [-3600.0] * 10) == 10


@given(st.lists(st.floats(0, 60), max_size=300))
def test_no_more_passes_than_bucket_and_rate_allow(offsets_s: list[float]) -> None:
    assert passed(sorted(offsets_s)) <= LIMITS.burst + 60 * LIMITS.rate_per_s


def test_only_the_latest_senders_are_remembered() -> None:
    many = {str(n): Allowance(1.0, NOW + timedelta(seconds=n)) for n in range(MOST_SENDERS + 5)}

    kept = remembered(many)

    assert len(kept) == MOST_SENDERS
    assert "4" not in kept
    assert "5" in kept
