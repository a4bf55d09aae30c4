"""The ways in which readings arrive, each an outage of its own."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from alerts.notice import ServiceNotice
from collector.ble import RadioHealth
from gylewatch.outages import Receiver, outage_notices
from gylewatch.receivers import by_one_clock, inner_parts, receivers_of, told_radio

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def radio(place: str, problem: str | None = None) -> RadioHealth:
    return RadioHealth(
        place=place, scanning=problem is None, since=NOON, heard=0, dropped=0, rebuilt=0, problem=problem
    )


def test_the_only_adapter_is_the_radio_whatever_it_is_called() -> None:
    (receiver,) = receivers_of([], [radio("hci0")])

    assert (receiver.cause, receiver.name, receiver.works) == ("radio", "Bluetooth", True)


def test_of_several_adapters_each_fails_for_itself() -> None:
    first, second = receivers_of([], [radio("hci0"), radio("hci1", "hci1 hears no floats: plug it in")])

    assert (first.cause, first.works) == ("radio:hci0", True)
    assert (second.cause, second.name, second.works) == ("radio:hci1", "Bluetooth on hci1", False)


def test_advertisements_that_were_lost_are_shown() -> None:
    assert told_radio(radio("hci0")) == "Bluetooth on hci0: listening since 2026-03-02 12:00Z"
    assert told_radio(replace(radio("hci0"), dropped=7)).endswith(
        "; 7 advertisements were lost because storage was too slow"
    )


def test_what_keeps_readings_waiting_inside_is_told_like_an_outage_and_so_is_its_end() -> None:
    minutes = [NOON + timedelta(minutes=each) for each in (0, 1, 16, 17, 20)]
    stopped = [None, "the disk is full; free some space", "the disk is full; free some space", None, None]
    parts = inner_parts((), stopped=None, doubt=None, now=NOON)
    told: list[ServiceNotice] = []

    for now, problem in zip(minutes, stopped, strict=True):
        parts = inner_parts(parts, stopped=problem, doubt=None, now=now)
        told += outage_notices(parts, [notice for notice in told if len(told) == 1], now)

    begin, end = told
    assert (begin.cause, begin.time, begin.title) == ("storing", minutes[1], "Readings are not stored")
    assert begin.text.startswith("Readings wait")
    assert "Reason: the disk is full; free some space\n\nNext: Look after the beer by hand" in begin.text
    assert (end.cause, end.ends, end.time) == ("storing", True, minutes[4])


def test_what_was_stamped_before_the_clock_was_set_is_not_away_for_years() -> None:
    years = timedelta(days=900)
    away = Receiver(cause="broker:cellar", name="the broker", works=False, since=NOON - years, problem="it is away")
    ahead = replace(away, since=NOON + years)
    since = replace(away, since=NOON + timedelta(minutes=2))

    found = by_one_clock([away, ahead, since], NOON, NOON + timedelta(minutes=5))

    assert [each.since for each in found] == [NOON, NOON, since.since]
    assert outage_notices(found, [], NOON + timedelta(minutes=5)) == ()


def test_a_clock_that_is_not_believed_is_told_for_itself() -> None:
    parts = inner_parts((), stopped=None, doubt="network time has not set this machine's clock", now=NOON)
    parts = inner_parts(parts, stopped=None, doubt="network time has not set this machine's clock", now=NOON)

    (notice,) = outage_notices(parts, [], NOON + timedelta(minutes=15))

    assert (notice.cause, notice.title) == ("clock", "This machine's clock cannot be believed")
