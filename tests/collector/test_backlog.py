"""What waited at a broker and says no time. Expected by counting seconds."""

from __future__ import annotations

from datetime import UTC, datetime

from collector.backlog import BURST_S, Backlog
from collector.inbox import Delivery
from collector.packet import Packet, Source

NOW = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)


def heard(number: int, arrived_s: float, *, topic: str = "heron", waited: bool = True) -> Delivery:
    packet = Packet(source=Source.MQTT, origin=topic, payload=b"%d" % number, received=NOW, waited=waited)
    return Delivery(packet=packet, arrived_s=arrived_s)


def told(deliveries: list[Delivery]) -> list[tuple[str, bool]]:
    return [(each.packet.payload.decode(), each.overtaken) for each in deliveries]


def test_of_what_waited_the_newest_of_each_topic_counts_once_nothing_more_comes() -> None:
    backlog = Backlog()

    at_once = backlog.sift([heard(1, 10.0), heard(7, 10.01, topic="wren"), heard(2, 10.02), heard(3, 10.03)], 10.1)
    soon = backlog.sift([heard(4, 10.2)], 10.3)
    waiting = len(backlog)
    later = backlog.sift([], 10.2 + BURST_S + 0.1)

    assert told(at_once) == [("1", True), ("2", True)]
    assert told(soon) == [("3", True)]
    assert waiting == 2
    assert sorted(told(later)) == [("4", False), ("7", False)]
    assert len(backlog) == 0


def test_a_message_of_a_float_that_is_there_is_stored_at_once_and_makes_none_old() -> None:
    backlog = Backlog()

    passed = backlog.sift([heard(1, 10.0), heard(2, 10.4, waited=False)], 10.5)

    assert told(passed) == [("1", False), ("2", False)]


def test_one_that_comes_long_after_the_one_before_makes_it_no_older() -> None:
    backlog = Backlog()

    passed = backlog.sift([heard(1, 10.0), heard(2, 10.1 + BURST_S)], 11.2)

    assert told(passed) == [("1", False)]
