"""Regular duties and the nightly upkeep, while the clock is set."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

import pytest

from gylewatch.schedule import Schedule, is_night_between
from tests.eventually import eventually


def utc(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 3, day, hour, minute, tzinfo=UTC)


@pytest.mark.parametrize(
    ("before", "now", "due"),
    [
        (utc(2, 3, 16), utc(2, 3, 17), True),
        (utc(2, 3, 17), utc(2, 3, 18), False),  # it was due at the look before
        (utc(2, 23), utc(3, 0, 1), False),
        (utc(2, 22), utc(3, 9), True),  # the machine slept over it
        (utc(2, 9), utc(30, 9), True),
        (utc(9, 4), utc(2, 9), False),  # the clock was set back
    ],
)
def test_the_upkeep_is_due_once_its_time_has_passed(before: datetime, now: datetime, due: bool) -> None:
    assert is_night_between(before, now) is due


@pytest.mark.parametrize("step", [timedelta(days=-400), timedelta(hours=-1), timedelta(days=20_000)])
def test_duties_go_on_after_the_clock_was_set(step: timedelta) -> None:
    clock, ticks, nights = [utc(2, 12)], list[int](), list[int]()
    schedule = Schedule(lambda: ticks.append(1), lambda: nights.append(1), tick_s=0.01, now=lambda: clock[0])
    schedule.start()
    eventually("it ticks", lambda: len(ticks) > 2)

    clock[0] += step
    before = len(ticks)
    eventually("it ticks on", lambda: len(ticks) > before + 2)
    clock[0] = clock[0].replace(hour=3, minute=16)
    before = len(ticks)
    eventually("it has looked at the clock", lambda: len(ticks) > before + 1)
    done = len(nights)
    clock[0] = clock[0].replace(minute=18)
    eventually("the night's upkeep is done", lambda: len(nights) == done + 1)
    schedule.stop()

    assert done <= 1


def test_an_upkeep_that_takes_its_time_delays_no_tick_and_is_not_begun_twice() -> None:
    clock, ticks, nights, free = [utc(2, 3, 16)], list[int](), list[int](), threading.Event()

    def upkeep() -> None:
        nights.append(1)
        free.wait(30)

    schedule = Schedule(lambda: ticks.append(1), upkeep, tick_s=0.01, now=lambda: clock[0])
    schedule.start()
    for day in (2, 3, 4):
        clock[0] = utc(day, 3, 18)
        before = len(ticks)
        eventually("it ticks on", lambda before=before: len(ticks) > before + 1)  # type: ignore[misc]
    free.set()
    schedule.stop()

    assert nights == [1]


def test_a_duty_that_fails_is_done_again() -> None:
    tries: list[int] = []

    def fails() -> None:
        tries.append(1)
        raise RuntimeError("unexpected")

    schedule = Schedule(fails, lambda: None, tick_s=0.01, now=lambda: utc(2, 12))
    schedule.start()
    eventually("it is done again", lambda: len(tries) > 1)
    schedule.stop()
