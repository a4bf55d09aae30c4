"""The ways in which readings arrive, each an outage of its own."""

from __future__ import annotations

from datetime import UTC, datetime

from collector.ble import RadioHealth
from gylewatch.receivers import receivers_of

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
