"""When late readings are reason enough to read a batch again."""

from __future__ import annotations

from datetime import timedelta

from gylewatch.lateness import CALM, PAUSE, Lateness
from tests.gylewatch.brew import PITCHED

NOW = PITCHED + timedelta(days=3)


def late(count: int, *, by: timedelta = timedelta(hours=2), every: timedelta = timedelta(minutes=30)) -> Lateness:
    """So many readings, each overtaken by this much."""
    found = Lateness()
    for number in range(count):
        time = PITCHED + number * every
        found = found.after(time, time + by)
    return found


def test_what_comes_in_its_turn_or_is_overtaken_by_minutes_does_not_matter() -> None:
    assert not late(100, by=timedelta(minutes=-15)).matters
    assert not late(100, by=timedelta(minutes=59)).matters
    assert not Lateness().after(PITCHED, None).matters


def test_a_few_late_readings_or_those_of_minutes_do_not_matter() -> None:
    assert not late(5).matters
    assert not late(50, every=timedelta(minutes=1)).matters


def test_hours_of_late_readings_matter_whatever_their_order() -> None:
    newest_first = Lateness()
    for number in reversed(range(6)):
        newest_first = newest_first.after(PITCHED + number * timedelta(minutes=30), NOW)

    assert late(6).matters
    assert newest_first.matters


def test_they_are_due_when_no_more_of_them_come() -> None:
    seen = late(20).watched(NOW)
    one_more = seen.after(PITCHED, NOW).watched(NOW + timedelta(minutes=9))

    assert not late(20).is_due(NOW, None)
    assert not seen.is_due(NOW + CALM - timedelta(seconds=1), None)
    assert seen.watched(NOW + timedelta(minutes=5)).is_due(NOW + CALM, None)
    assert not one_more.is_due(NOW + CALM, None)


def test_few_late_readings_are_never_due() -> None:
    assert not late(5).watched(NOW).is_due(NOW + timedelta(days=9), None)


def test_a_batch_that_was_just_read_again_for_this_waits() -> None:
    seen, now = late(20).watched(NOW), NOW + CALM

    assert not seen.is_due(now, now - PAUSE + timedelta(seconds=1))
    assert seen.is_due(now, now - PAUSE)


def test_a_clock_that_is_set_back_keeps_nobody_waiting_for_long() -> None:
    seen, back = late(20).watched(NOW), NOW - timedelta(days=30)

    assert seen.watched(back).is_due(back + CALM, NOW)
    assert not seen.watched(back).is_due(back + CALM - timedelta(seconds=1), NOW)
