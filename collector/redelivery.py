"""Redelivery: what a broker sends again, since the receipt was lost with the connection, is the same message.

One that says no time would be stamped anew, and stored as a second reading.
"""

from __future__ import annotations

from collections import OrderedDict
from typing import Final

from collector.mqtt_loop import Receipt

REMEMBERED: Final = 4096  # twice as many as wait for storage at most, and all that a broker may send ahead with them


class Redelivery:
    """The receipts of one session. The loop's thread only."""

    def __init__(self) -> None:
        self._receipts: OrderedDict[int, Receipt] = OrderedDict()  # by the broker's number for the message

    def begin_anew(self) -> None:
        """The broker has forgotten the session: its numbers mean other messages from now on."""
        self._receipts.clear()

    def take(self, receipt: Receipt, *, again: bool) -> Receipt | None:
        """The receipt of a message that came before, made one of this connection; None: the message is new.

        Parameters
        ----------
        receipt : of its last coming
        again : the broker says that it may have sent the message before
        """
        before = self._receipts.pop(receipt.message_id, None)
        if again and before is not None and before.message == receipt.message:  # MQTT 5.0, section 4.4
            before.connection = receipt.connection
            self._receipts[before.message_id] = before
            return before
        self._receipts[receipt.message_id] = receipt
        if len(self._receipts) > REMEMBERED:
            self._receipts.popitem(last=False)
        return None
