"""What waited at a broker and says no time. Expected by counting seconds."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from collector.backlog import BURST_S, Backlog, overtakes, says_no_time
from collector.inbox import Delivery
from collector.packet import Packet, Reason, Refusal, Source, rejected
from tests.storage.examples import reading

NOW = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)


def heard(number: int, arrived_s: float, *, topic: str = "heron", waited: bool = True) -> Delivery:
    packet = Packet(source=Source.MQTT, origin=topic, payload=b"%d" % number, received=NOW, waited=waited)
    return Delivery(packet=packet, arrived_s=arrived_s)


def test_the_newest_of_each_topic_is_held_until_nothing_more_comes() -> None:
    backlog, wren = Backlog(), heard(7, 10.01, topic="wren")
    backlog.hold(wren)
    for number, arrived_s in enumerate((10.0, 10.02, 10.2)):
        one = heard(number, arrived_s)
        assert backlog.before(one) == (heard(number - 1, (9.9, 10.0, 10.02)[number]) if number else None)
        backlog.hold(one)

    assert len(backlog) == 2
    assert backlog.due(10.1 + BURST_S) == [wren]
    assert backlog.due(10.21 + BURST_S) == [heard(2, 10.2)]
    assert len(backlog) == 0


def test_one_behind_which_another_waited_is_older_than_it_looks() -> None:
    before = heard(1, 10.0)

    assert overtakes(heard(2, 10.4), before)
    assert not overtakes(heard(2, 10.4, waited=False), before), "the float is there"
    assert not overtakes(heard(2, 10.1 + BURST_S), before), "it comes long after"


def test_only_a_reading_that_is_stamped_says_no_time() -> None:
    packet = heard(1, 10.0).packet
    of_now, of_then = (replace(reading(1), time=time) for time in (NOW, NOW - timedelta(seconds=60)))
    refused = rejected(packet, Refusal(reason=Reason.MALFORMED, detail="not SenML"))

    assert says_no_time((refused, of_then, of_now), packet)
    assert not says_no_time((refused, of_then), packet)
