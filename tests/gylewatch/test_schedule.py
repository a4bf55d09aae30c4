"""Regular duties and the nightly upkeep, while the machine's clock is set."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta, tzinfo

import pytest
from apscheduler.schedulers import base

from gylewatch import schedule
from gylewatch.schedule import Schedule
from tests.eventually import eventually


class MachineClock(datetime):
    """The machine's clock, which the tests set: the scheduler asks it for the time."""

    ahead = timedelta(0)

    @classmethod
    def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
        return datetime.now(tz) + cls.ahead

    @classmethod
    def set_to(cls, time: datetime) -> None:
        cls.ahead = time - datetime.now(UTC)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> type[MachineClock]:
    for module in (base, schedule):
        monkeypatch.setattr(module, "datetime", MachineClock)
    monkeypatch.setattr(MachineClock, "ahead", timedelta(0))
    MachineClock.set_to(utc(2, 12))
    return MachineClock


def utc(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 3, day, hour, minute, tzinfo=UTC)


@pytest.mark.parametrize("step", [timedelta(days=-400), timedelta(hours=-1), timedelta(days=20_000)])
def test_duties_go_on_after_the_clock_was_set(clock: type[MachineClock], step: timedelta) -> None:
    ticks, nights = list[int](), list[int]()
    running = Schedule(lambda: ticks.append(1), lambda: nights.append(1), tick_s=0.02)
    running.start()
    eventually("it ticks", lambda: len(ticks) > 2)

    clock.set_to(utc(2, 12) + step)
    before = len(ticks)
    eventually("it ticks on", lambda: len(ticks) > before + 2)
    missed = len(nights)
    clock.set_to((utc(2, 12) + step).replace(hour=3, minute=16) + timedelta(days=1))
    eventually("it has looked at the clock", lambda: len(ticks) > before + 5)
    done = len(nights)
    clock.set_to(clock.now(UTC) + timedelta(minutes=2))
    eventually("the night's upkeep is done", lambda: len(nights) == done + 1)
    running.stop()

    assert missed <= 1, "many missed nights are one"


def test_a_night_that_was_missed_is_made_up_for_soon_after_the_start(clock: type[MachineClock]) -> None:
    ticks, nights = list[int](), list[int]()
    running = Schedule(lambda: ticks.append(1), lambda: nights.append(1), tick_s=0.02)
    running.start()
    eventually("it ticks", lambda: len(ticks) > 2)
    at_once = len(nights)

    clock.set_to(utc(2, 12, 11))
    eventually("the upkeep is done", lambda: len(nights) == 1)
    running.stop()

    assert at_once == 0, "the clock may not be set yet"


def test_an_upkeep_that_takes_its_time_delays_no_tick_and_is_not_begun_twice(clock: type[MachineClock]) -> None:
    ticks, nights, free = list[int](), list[int](), threading.Event()

    def upkeep() -> None:
        nights.append(1)
        free.wait(30)

    clock.set_to(utc(2, 3, 16))
    running = Schedule(lambda: ticks.append(1), upkeep, tick_s=0.02)
    running.start()
    for day in (2, 3, 4):
        clock.set_to(utc(day, 3, 18))
        before = len(ticks)
        eventually("it ticks on", lambda before=before: len(ticks) > before + 1)  # type: ignore[misc]
    running.stop()
    free.set()

    assert nights == [1]


def test_a_duty_that_fails_is_done_again(clock: type[MachineClock]) -> None:
    tries: list[int] = []

    def fails() -> None:
        tries.append(1)
        raise RuntimeError("unexpected")

    running = Schedule(fails, lambda: None, tick_s=0.02)
    running.start()
    eventually("it is done again", lambda: len(tries) > 1)
    running.stop()
