"""What unknown floats say is kept once, however often it is looked at."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.heard import HeardFloat
from collector.packet import Source
from gylewatch.unknown_floats import UnknownFloats
from storage.store import Store
from tests.storage.examples import at


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(f"sqlite:///{tmp_path / 'gylewatch.db'}") as opened:
        yield opened


def heard(name: str, packets: int, minutes: float) -> HeardFloat:
    return HeardFloat(
        name=name, source=Source.MQTT, last=at(minutes), packets=packets, angle_deg=47.0, temperature_c=19.0
    )


def counts(store: Store) -> dict[str, int]:
    return {each.name: each.packets for each in store.heard_floats()}


def test_only_packets_that_came_since_the_last_look_are_added(store: Store) -> None:
    unknown = UnknownFloats(store)

    for packets, minutes in ((2, 1), (2, 1), (5, 4)):
        unknown.keep([heard("magpie", packets, minutes)])

    assert counts(store) == {"magpie": 5}


def test_a_float_that_the_collector_forgot_is_counted_on_from_what_was_kept(store: Store) -> None:
    unknown = UnknownFloats(store)
    unknown.keep([heard("magpie", 2, 1)])
    unknown.keep([heard("jay", 1, 2)])

    unknown.keep([heard("magpie", 3, 9)])

    assert counts(store) == {"magpie": 5, "jay": 1}
