"""Backlog: what waited at a broker. Of each topic's messages that say no time only the newest can pass for new.

A float without a clock leaves it to us to stamp what it says on arrival. What waited for a day arrives within a second,
and would make a day's fall of gravity that of one moment.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from collector.inbox import Delivery

BURST_S: Final = 1.0
# Between two messages of one topic that waited. A broker hands over thousands a second; storage that is slow to take
# them makes that hundreds. Floats that report oftener than each second do not need each report kept.


class Backlog:
    """Keeps the newest message of each topic back until it is known whether another one waited behind it."""

    def __init__(self) -> None:
        self._newest: dict[tuple[str, str], Delivery] = {}

    def __len__(self) -> int:
        return len(self._newest)

    def sift(self, deliveries: Sequence[Delivery], now_s: float) -> list[Delivery]:
        """Take what has come, and give what can be stored, in order; marked are those behind which others waited.

        Parameters
        ----------
        now_s : on the clock that stamps `Delivery.arrived_s`
        """
        ready: list[Delivery] = []
        for delivery in deliveries:
            topic = (delivery.packet.receiver, delivery.packet.origin)
            before = self._newest.pop(topic, None)
            if before is not None:
                waited = delivery.packet.waited and delivery.arrived_s - before.arrived_s <= BURST_S
                ready.append(_overtaken(before) if waited else before)
            if delivery.packet.waited:
                self._newest[topic] = delivery
            else:
                ready.append(delivery)
        return ready + self.release(lambda newest: now_s - newest.arrived_s > BURST_S)

    def release(self, may_go: Callable[[Delivery], bool]) -> list[Delivery]:
        """Give those that need not be kept back any longer."""
        over = [topic for topic, newest in self._newest.items() if may_go(newest)]
        return [self._newest.pop(topic) for topic in over]


def _overtaken(delivery: Delivery) -> Delivery:
    # Written out: `dataclasses.replace` takes three times as long, and this is done for each message of a backlog.
    return Delivery(
        packet=delivery.packet, acknowledge=delivery.acknowledge, arrived_s=delivery.arrived_s, overtaken=True
    )
