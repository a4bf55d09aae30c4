"""When the machine's clock is believed, and arrival in true time."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from collector.clock import RELEASED, ClockRule, clock_problem, restamped
from collector.packet import Packet, Source

NOW = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)
PACKET = Packet(source=Source.MQTT, origin="t", payload=b"", received=datetime(1970, 1, 1, tzinfo=UTC))


def test_a_clock_that_was_never_set_is_not_believed() -> None:
    problem = clock_problem(ClockRule(), datetime(1970, 1, 1, 0, 2, tzinfo=UTC), synchronised=True)

    assert problem is not None
    assert "1970-01-01T00:02:00Z" in problem
    assert "timedatectl" in problem


def test_a_clock_before_the_newest_reading_is_not_believed() -> None:
    newest = NOW + timedelta(hours=3)

    assert clock_problem(ClockRule(not_before=newest), NOW, synchronised=True) is not None
    assert clock_problem(ClockRule(not_before=newest), newest, synchronised=True) is None


def test_a_board_without_battery_waits_for_network_time() -> None:
    rule = ClockRule(network_time=True)

    assert clock_problem(rule, NOW, synchronised=False) is not None
    assert clock_problem(rule, NOW, synchronised=True) is None


def test_other_machines_do_not_need_network_time() -> None:
    assert clock_problem(ClockRule(), RELEASED, synchronised=False) is None


@given(st.floats(0, 1e6))
def test_an_arrival_is_counted_back_from_now(waited_s: float) -> None:
    assert NOW - restamped(PACKET, now=NOW, waited_s=waited_s).received == timedelta(seconds=waited_s)
