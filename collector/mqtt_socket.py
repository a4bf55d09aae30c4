"""The connection of a paho client, read and written in bursts. Shell.

Each question to the operating system costs a system call, and lets the other threads of the program run first. paho
asks three times or more for each message, and sends each receipt by itself.
"""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

from paho.mqtt.client import Client

if TYPE_CHECKING:
    from paho.mqtt.client import SocketLike

_BURST_BYTES: Final = 65_536  # some hundred readings
_CORK: Final[int | None] = getattr(socket, "TCP_CORK", None)  # Linux only, see tcp(7)


class BurstClient(Client):
    """paho's client on a `BurstSocket`. A later paho that calls this no more still works, but slower."""

    def _create_socket(self) -> SocketLike:
        return BurstSocket(super()._create_socket())


class BurstSocket:
    """A connection that takes all that has come at once, and gives it out in the pieces that are asked for."""

    def __init__(self, connection: Any) -> None:
        self._connection = connection
        self._come = b""
        self._given = 0
        self.send = connection.send
        self.fileno = connection.fileno
        self.close = connection.close
        self.setblocking = connection.setblocking
        self.setsockopt = connection.setsockopt

    def recv(self, size: int) -> bytes:
        """As of a socket; also that what was there is given out before the end or a fault is told."""
        if self._given == len(self._come):
            self._come = self._connection.recv(_BURST_BYTES)
            self._given = 0
        start = self._given
        self._given = min(start + size, len(self._come))
        return self._come[start : self._given]

    def pending(self) -> int:
        return len(self._come) - self._given or pending(self._connection)


def pending(connection: Any) -> int:
    """Bytes that can be read though the system knows of none: taken already, or decrypted."""
    return int(connection.pending()) if hasattr(connection, "pending") else 0


@contextlib.contextmanager
def corked(connection: Any) -> Iterator[None]:
    """Let what is sent in between leave together, and not each packet in a segment of its own."""
    if _CORK is None or not hasattr(connection, "setsockopt"):
        yield
        return
    connection.setsockopt(socket.IPPROTO_TCP, _CORK, 1)
    try:
        yield
    finally:
        if connection.fileno() >= 0:  # the goodbye closes it
            connection.setsockopt(socket.IPPROTO_TCP, _CORK, 0)
