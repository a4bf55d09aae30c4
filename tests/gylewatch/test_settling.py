"""When silence means something. Expected times by counting."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from gylewatch.outages import Receiver
from gylewatch.settling import Settling, look

START = datetime(2026, 3, 2, 12, tzinfo=UTC)


def judged_after(outages: list[tuple[int, int]], until: int, others: tuple[Receiver, ...] = ()) -> list[int]:
    """The minutes at which silence was judged, with one broker that is away from minute to minute of `outages`."""
    settling, judged = Settling(started=START), []
    for minute in range(until):
        away = [start for start, end in outages if start <= minute < end]
        since = max([*away, *(end for _, end in outages if end <= minute), 0])
        broker = Receiver(
            cause="broker:cellar", name="", works=not away, since=START + timedelta(minutes=since), problem=None
        )
        settling, unsettled = look(settling, (broker, *others), START + timedelta(minutes=minute))
        if not unsettled:
            judged.append(minute)
    return judged


def test_silence_is_judged_an_hour_after_the_start() -> None:
    assert judged_after([], 70)[0] == 60


def test_an_outage_of_hours_is_followed_by_an_hour_of_settling() -> None:
    judged = judged_after([(100, 100 + 30 * 60)], 2100)

    assert [minute for minute in judged if minute >= 100] == list(range(100 + 30 * 60 + 60, 2100))


def test_a_broker_that_restarts_every_50_minutes_hides_no_silence() -> None:
    restarts = [(start, start + 2) for start in range(50, 600, 50)]

    judged = judged_after(restarts, 600)

    assert judged[0] == 60
    assert len(judged) == (600 - 60) - 2 * 10  # every minute but those when it was away


def test_long_outages_again_and_again_hide_silence_for_six_working_hours_at_most() -> None:
    outages = [(start, start + 10) for start in range(40, 1200, 50)]

    judged = judged_after(outages, 1200)

    assert 6 * 60 <= judged[0] <= 6 * 60 * 50 // 40 + 50  # 40 of each 50 minutes work


def test_a_second_receiver_that_comes_and_goes_hides_no_silence_for_ever() -> None:
    radio = Receiver(cause="radio", name="", works=True, since=START, problem=None)
    outages = [(start, start + 40) for start in range(10, 1200, 50)]

    judged = judged_after(outages, 1200, (radio,))

    assert judged[0] <= 7 * 60


def test_without_receivers_only_the_start_is_waited_for() -> None:
    settling, unsettled = look(Settling(started=START), (), START + timedelta(minutes=61))

    assert not unsettled
    assert settling.suppressed == timedelta(0)


def judged_while_storing_fails(away: range, until: int) -> list[int]:
    """The minutes at which silence was judged, where nothing could be stored for a while; nobody looks meanwhile."""
    settling, judged = Settling(started=START), []
    broker = Receiver(cause="broker:cellar", name="", works=True, since=START, problem=None)
    for minute in (minute for minute in range(until) if minute not in away):
        since = START + timedelta(minutes=away.stop if minute >= away.stop else 0)
        storing = Receiver(cause="storing", name="", works=True, since=since, problem=None)
        settling, unsettled = look(settling, (broker,), START + timedelta(minutes=minute), storing=storing)
        if not unsettled:
            judged.append(minute)
    return judged


def test_after_hours_without_storage_the_floats_are_heard_out_first() -> None:
    """A broker hands over what it kept a few messages at a time, and between two of them nothing waits."""
    assert judged_while_storing_fails(range(100, 400), 600) == [*range(60, 100), *range(460, 600)]


def test_a_moment_without_storage_hides_no_silence() -> None:
    assert judged_while_storing_fails(range(100, 104), 300) == [*range(60, 100), *range(104, 300)]


def test_storage_that_works_makes_no_absent_broker_less_absent() -> None:
    settling, judged = Settling(started=START), []
    storing = Receiver(cause="storing", name="", works=True, since=START, problem=None)
    broker = Receiver(cause="broker:cellar", name="", works=False, since=START, problem=None)
    for minute in range(30 * 60):
        settling, unsettled = look(settling, (broker,), START + timedelta(minutes=minute), storing=storing)
        judged.append(not unsettled)

    assert not any(judged)
