"""When the machine's clock is believed, and arrival in true time."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from collector.clock import RELEASED, STANDS_S, STEP_S, ClockRule, ClockWatch, clock_problem, restamped, watch_clock
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


def looked(*looks: tuple[float, float], vouched: bool = False) -> list[bool]:
    """Whether the clock is believed at each look: (seconds passed, seconds that the clock is then off)."""
    watch, believed = ClockWatch(), []
    for passed_s, off_s in looks:
        now = NOW + timedelta(seconds=passed_s + off_s)
        watch, problem = watch_clock(watch, now, 5000.0 + passed_s, vouched=vouched)
        believed.append(problem is None)
    return believed


def test_slow_corrections_by_network_time_are_no_leap() -> None:
    """500 ppm is the fastest at which the kernel corrects the clock: adjtimex(2)."""
    assert all(looked(*((hours * 3600.0, hours * 1.8) for hours in range(48))))


def test_a_leap_either_way_is_not_believed_until_the_clock_has_run_evenly_for_a_while() -> None:
    for leap_s in (STEP_S + 1, -STEP_S - 1, 1e8, -1e8):
        looks = [(0.0, 0.0), (1.0, leap_s), (STANDS_S, leap_s), (STANDS_S + 1, leap_s), (STANDS_S + 2, leap_s)]
        assert looked(*looks) == [True, False, False, True, True], leap_s


def test_a_second_leap_begins_the_wait_anew_and_one_back_ends_it() -> None:
    assert looked((0.0, 0.0), (1.0, 50.0), (590.0, 90.0), (610.0, 90.0)) == [True, False, False, False]
    assert looked((0.0, 0.0), (1.0, 50.0), (2.0, 0.1), (700.0, 50.0)) == [True, False, True, False]


def test_a_leap_that_network_time_vouches_for_is_believed_at_once() -> None:
    assert looked((0.0, 0.0), (1.0, 86_400.0), vouched=True) == [True, True]


def test_what_is_wrong_says_which_way_the_clock_leapt_and_what_to_do() -> None:
    watch, _ = watch_clock(ClockWatch(), NOW, 0.0, vouched=False)

    _, problem = watch_clock(watch, NOW - timedelta(hours=2), 1.0, vouched=False)

    assert problem is not None
    assert "leapt back by 2:00:01" in problem
    assert "timedatectl" in problem
