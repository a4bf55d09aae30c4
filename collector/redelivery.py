"""Redelivery: what a broker sends again, since the receipt was lost with the connection, is the same message.

One that says no time would be stamped anew, and stored as a second reading.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import Final

from collector.mqtt_loop import Receipt

REMEMBERED: Final = 4096  # twice as many as wait for storage at most, and all that a broker may send ahead with them


@dataclass(slots=True)
class Taken:
    """A message that was taken, by what stays the same when it comes again (MQTT 5.0, section 4.4)."""

    topic: str
    payload: int  # its hash
    receipt: Receipt  # of its last coming: those of earlier connections are worth nothing
    stored: bool = False


class Redelivery:
    """The messages of one session. Any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._taken: OrderedDict[int, Taken] = OrderedDict()  # by the broker's number for the message

    def begin_anew(self) -> None:
        """The broker has forgotten the session: its numbers mean other messages from now on."""
        with self._lock:
            self._taken.clear()

    def take(self, topic: str, payload: bytes, receipt: Receipt, *, again: bool) -> Taken | Receipt | None:
        """A message that is new; or the receipt that is due for one that is stored; None: it still waits to be.

        Parameters
        ----------
        again : the broker says that it may have sent the message before
        """
        number, summed = receipt.message_id, hash(payload)
        with self._lock:
            before = self._taken.pop(number, None)
            if again and before is not None and (before.topic, before.payload) == (topic, summed):
                before.receipt = receipt
                self._taken[number] = before
                return receipt if before.stored else None
            self._taken[number] = new = Taken(topic, summed, receipt)
            if len(self._taken) > REMEMBERED:
                self._taken.popitem(last=False)
            return new

    def stored(self, taken: Taken) -> Receipt:
        """Note that a message is stored, and return the receipt that is due."""
        with self._lock:
            taken.stored = True
            return taken.receipt
