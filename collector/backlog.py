"""Backlog: what waited at a broker. Of each topic's messages that say no time only the newest can pass for new.

A float without a clock leaves it to us to stamp what it says on arrival. What waited for a day arrives within a second,
and would make a day's fall of gravity that of one moment.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from collector.inbox import Delivery
from collector.packet import Packet, Rejected
from gylewatch.values import ProbeReading, Reading

BURST_S: Final = 1.0
# Between two messages of one topic that waited. A broker hands over thousands a second; storage that is slow to take
# them makes that hundreds. Floats that report oftener than each second do not need each report kept.


class Backlog:
    """Keeps the newest message of each topic back until it is known whether another one waited behind it."""

    def __init__(self) -> None:
        self._newest: dict[tuple[str, str], Delivery] = {}

    def __len__(self) -> int:
        return len(self._newest)

    def hold(self, delivery: Delivery) -> None:
        """Keep back one that waited and says no time; the one before it on its topic was taken out."""
        self._newest[_topic(delivery)] = delivery

    def before(self, delivery: Delivery) -> Delivery | None:
        """Take out the one that is held on the topic of another one that has come."""
        return self._newest.pop(_topic(delivery), None)

    def due(self, now_s: float) -> list[Delivery]:
        """Take out those behind which nothing came for long enough: they are of now.

        Parameters
        ----------
        now_s : on the clock that stamps `Delivery.arrived_s`
        """
        over = [topic for topic, newest in self._newest.items() if now_s - newest.arrived_s > BURST_S]
        return [self._newest.pop(topic) for topic in over]


def overtakes(delivery: Delivery, before: Delivery) -> bool:
    """Whether both waited, so that the one before is older than it looks."""
    return delivery.packet.waited and delivery.arrived_s - before.arrived_s <= BURST_S


def is_stamped(outcome: Reading | ProbeReading | Rejected, packet: Packet) -> bool:
    """Whether a reading has the time of its arrival, as the packet says none."""
    return not isinstance(outcome, Rejected) and outcome.time == packet.received


def says_no_time(outcomes: Sequence[Reading | ProbeReading | Rejected], packet: Packet) -> bool:
    """Whether a packet has a reading that must be stamped."""
    if len(outcomes) == 1:  # nearly always, and each message of a backlog comes this way
        return is_stamped(outcomes[0], packet)
    return any(is_stamped(outcome, packet) for outcome in outcomes)


def _topic(delivery: Delivery) -> tuple[str, str]:
    return delivery.packet.receiver, delivery.packet.origin
