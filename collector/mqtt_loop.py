"""The network loop of one paho client: connects, reads, writes and connects again, in a thread of its own. Shell.

It stands in for paho's own thread, through paho's interface for other event loops, because that one asks the system
before each message and is woken up for each receipt. Here one question serves a burst of messages, and the receipts of
a commit leave together.
"""

from __future__ import annotations

import contextlib
import select
import socket
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import structlog
from paho.mqtt.client import Client, MQTTMessage

from collector.mqtt_socket import corked, pending

if TYPE_CHECKING:
    from paho.mqtt.client import SocketLike

# A burst ends after so many messages, so that receipts and pings are never kept waiting by a broker with much to say.
MOST_IN_A_BURST: Final = 200
LOOK_AGAIN_S: Final = 1.0  # as often as paho's own loop: pings are due to the second
LASTS_S: Final = 30.0
# A connection that ends earlier gives the next one no better chance: two programs that throw each other off the broker,
# because they have one client_id, do so more and more seldom.
_GOODBYE_S: Final = 5.0  # for the last receipts and the goodbye, where the broker takes nothing any more
_LEAVE_S: Final = 1.0  # for an attempt to connect, which nobody can break off: a name may take half a minute

_log = structlog.get_logger(__name__)


@dataclass(slots=True)
class Receipt:
    """What the broker is told once a message is kept.

    Of a message that comes again over another connection it is still the one receipt, and changes with it. That is done
    in the loop's thread, which also gives it: no lock is needed for what each message goes through.
    """

    connection: int  # of its last coming; another one has no use for it
    message_id: int
    qos: int
    message: int = 0  # hash of what the message says, to know it again
    given: bool = False  # or dropped with its connection


class NetworkLoop:
    """Drives a client until it is stopped. Start and stop once.

    Parameters
    ----------
    client : ready to connect, see paho's ``connect_async``; nothing else may run its loop
    on_message : takes each message with the number of its connection, for the receipt
    on_pause : called once all that has come was taken, or very many; may wait, until `stopping`
    on_fail : told why an attempt reached no broker, or what ended a connection in an unexpected way
    reconnect_s : first and longest wait between attempts to connect
    stopping : set by `stop`

    The client's callbacks and those given here are called in the loop's thread.
    """

    def __init__(
        self,
        client: Client,
        *,
        on_message: Callable[[MQTTMessage, int], None],
        on_pause: Callable[[], None],
        on_fail: Callable[[Exception], None],
        reconnect_s: tuple[float, float],
        stopping: threading.Event,
    ) -> None:
        self._client = client
        self._on_message = on_message
        self._on_pause = on_pause
        self._on_fail = on_fail
        self._reconnect_s = reconnect_s
        self._stopping = stopping
        self._begun_s = 0.0  # monotonic: when the newest attempt was made
        self._ended_soon = 0  # accepted connections in a row that did not last
        self._connection = 0  # counts attempts; only this loop's thread uses it and the next
        self._took_one = False
        self._receipts: deque[Receipt] = deque()
        self._queued = False  # something was given to paho to send, by whatever thread
        self._asleep = False
        self._connecting = False
        self._wakes, self._waker = socket.socketpair()
        self._wakes.setblocking(False)
        self._waker.setblocking(False)
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)
        client.on_message = self._take
        client.on_socket_register_write = self._note_queued

    def start(self) -> None:
        self._thread.start()

    def ends_soon(self) -> int:
        """How many connections in a row, with the one that ends now, did not last; for the loop's own callbacks."""
        return 0 if self._lasts() else self._ended_soon + 1

    def _lasts(self) -> bool:
        return time.monotonic() - self._begun_s >= LASTS_S

    def stop(self) -> None:
        """Send the receipts that were handed over, say goodbye and end.

        An attempt to connect is left to end by itself: no receipt is due then, because each belongs to a connection
        that is lost, and its message comes again.
        """
        self._stopping.set()
        self._wake()
        if self._thread.is_alive():
            self._thread.join(_LEAVE_S)
        if self._thread.is_alive() and not self._connecting:
            self._thread.join(_GOODBYE_S + LOOK_AGAIN_S)
        if not self._thread.is_alive():
            self._close()

    def _close(self) -> None:
        self._wakes.close()
        self._waker.close()

    def acknowledge(self, receipt: Receipt) -> None:
        """Hand over a receipt; any thread. That of an earlier connection is dropped: its message comes again."""
        receipt.given = False
        self._receipts.append(receipt)
        self._wake()

    def _note_queued(self, *_: Any) -> None:
        self._queued = True
        self._wake()

    def _wake(self) -> None:
        # Who finds the loop awake need not wake it: it looks at receipts and queue once more before it sleeps.
        if self._asleep:
            self._asleep = False
            with contextlib.suppress(OSError):  # so many wakes wait already, or the loop has ended
                self._waker.send(b"\0")

    def _run(self) -> None:
        try:
            self._connect_and_serve()
        finally:
            if self._stopping.is_set():  # perhaps long after, when nobody waits for it any more
                self._close()

    def _connect_and_serve(self) -> None:
        first_s, longest_s = self._reconnect_s
        wait_s = first_s
        while not self._stopping.is_set():
            accepted = False
            try:
                self._connection += 1
                self._begun_s = time.monotonic()
                self._connect()
                accepted = self._serve()
            except (OSError, UnicodeError) as error:  # the latter for a host that cannot be a name
                self._on_fail(error)
            except Exception as error:
                # What the library or we stumble over must not end the thread while the health stays green.
                _log.exception("the connection to a broker failed in an unexpected way")
                self._on_fail(error)
            if accepted:
                self._ended_soon = self.ends_soon()
                wait_s = min(first_s * 2.0 ** min(max(self._ended_soon - 1, 0), 20), longest_s)
            self._stopping.wait(wait_s)
            wait_s = min(2 * wait_s, longest_s)

    def _connect(self) -> None:
        self._connecting = True
        try:
            self._client.reconnect()
        finally:
            self._connecting = False

    def _serve(self) -> bool:
        """Read and write until the connection is lost, or ended by us; whether the broker had accepted it."""
        accepted = False
        while (connection := self._client.socket()) is not None:
            if self._stopping.is_set():
                self._say_goodbye()
                break
            accepted = accepted or self._client.is_connected()
            self._write(connection)
            if self._client.socket() is connection and self._is_readable(connection):
                self._read()
            self._client.loop_misc()
        return accepted

    def _is_readable(self, connection: SocketLike) -> bool:
        """Sleep until the broker says something, or somebody has something to say to it."""
        if pending(connection):
            return True
        self._asleep = True  # from here on others wake us; what they left before is looked for below
        waiting = self._queued or self._receipts or self._stopping.is_set()
        blocked = [connection] if self._client.want_write() else []
        readable, _, _ = select.select([connection, self._wakes], blocked, [], 0.0 if waiting else LOOK_AGAIN_S)
        self._asleep = False
        if self._wakes in readable:
            self._wakes.recv(4096)
        return connection in readable

    def _read(self) -> None:
        """Take what has come, but not too much of it at once."""
        self._took_one = True
        left = MOST_IN_A_BURST
        while self._took_one and left:
            self._took_one = False
            self._client.loop_read()
            left -= 1
        self._on_pause()

    def _take(self, _: Client, __: Any, message: MQTTMessage) -> None:
        self._took_one = True
        self._on_message(message, self._connection)

    def _write(self, connection: SocketLike) -> None:
        """Send the receipts, and whatever else is queued, in as few segments as the network takes."""
        self._give_receipts()
        if self._queued or self._client.want_write():
            self._queued = False
            with corked(connection):
                self._client.loop_write()

    def _give_receipts(self) -> None:
        while self._receipts:
            receipt = self._receipts.popleft()
            receipt.given = True
            if receipt.connection == self._connection:
                self._client.ack(receipt.message_id, receipt.qos)

    def _say_goodbye(self) -> None:
        until_s = time.monotonic() + _GOODBYE_S
        self._give_receipts()  # after the goodbye the broker would hear of them no more
        self._client.disconnect()
        while (connection := self._client.socket()) is not None and time.monotonic() < until_s:
            self._write(connection)
            if self._client.socket() is connection:
                select.select([], [connection], [], LOOK_AGAIN_S)
