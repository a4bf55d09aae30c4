"""A connection that is read in bursts, over real sockets."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator

import pytest
from paho.mqtt.enums import CallbackAPIVersion

from collector.mqtt_socket import BurstClient, BurstSocket, corked
from tests.broker import Broker


@contextlib.contextmanager
def connected() -> Iterator[tuple[BurstSocket, socket.socket]]:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.setblocking(False)
        yield BurstSocket(ours), theirs


def test_what_came_at_once_is_given_out_in_pieces() -> None:
    with connected() as (ours, theirs):
        theirs.send(b"brewers")

        assert [ours.recv(1), ours.recv(4)] == [b"b", b"rewe"]
        assert ours.pending() == 2
        assert ours.recv(100) == b"rs"
        assert ours.pending() == 0


def test_nothing_there_is_told_as_a_socket_tells_it() -> None:
    with connected() as (ours, _), pytest.raises(BlockingIOError):
        ours.recv(1)


def test_what_was_sent_before_the_end_is_given_out_first() -> None:
    with connected() as (ours, theirs):
        theirs.send(b"ab")
        theirs.close()

        assert [ours.recv(1), ours.recv(1), ours.recv(1)] == [b"a", b"b", b""]


def test_what_is_sent_while_corked_arrives() -> None:
    with (
        socket.create_server(("127.0.0.1", 0)) as server,
        socket.create_connection(server.getsockname()) as ours,
        server.accept()[0] as theirs,
    ):
        theirs.settimeout(10)

        with corked(BurstSocket(ours)):
            ours.send(b"a")
            ours.send(b"b")

        assert theirs.recv(2, socket.MSG_WAITALL) == b"ab"


def test_paho_still_lets_its_connection_be_replaced(broker: Broker) -> None:
    """Were it otherwise, everything would work, but slower."""
    client = BurstClient(CallbackAPIVersion.VERSION2)

    client.connect("127.0.0.1", broker.port)

    assert isinstance(client.socket(), BurstSocket)
    client.disconnect()
