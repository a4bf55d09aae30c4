"""Connections that send nothing, on real sockets: the page stays reachable beside them."""

from __future__ import annotations

import socket
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from urllib.parse import urlsplit

import pytest
from fastapi import FastAPI, Request

from gylewatch.http_connection import BoundedConnection
from gylewatch.http_server import HttpServer, listen
from tests.eventually import eventually


class Impatient(BoundedConnection):
    arrival_s = 0.3
    most = 5


class Narrow(BoundedConnection):
    most = 5


@contextmanager
def serving(connection: type[BoundedConnection]) -> Iterator[str]:
    app = FastAPI()
    app.get("/")(lambda: "here")

    @app.post("/")
    async def take(request: Request) -> int:
        return len(await request.body())

    server = HttpServer(app, listen("127.0.0.1", 0), connection=connection)
    server.start()
    try:
        yield server.address
    finally:
        server.stop()


def connected(address: str) -> socket.socket:
    place = urlsplit(address)
    assert place.hostname is not None
    assert place.port is not None
    return socket.create_connection((place.hostname, place.port), timeout=5)


def is_closed(client: socket.socket) -> bool:
    try:
        return client.recv(1000) == b""
    except ConnectionError:
        return True


@pytest.mark.parametrize(
    "begun", [b"", b"GET / HTTP/1.1\r\nHost: loc", b"POST / HTTP/1.1\r\nHost: me\r\nContent-Length: 9\r\n\r\nabc"]
)
def test_a_request_that_does_not_arrive_is_given_up(begun: bytes) -> None:
    with serving(Impatient) as address, connected(address) as client:
        client.sendall(begun)

        assert is_closed(client)


def test_connections_beyond_the_limit_are_closed_at_once_and_room_is_used_again() -> None:
    with serving(Narrow) as address, ExitStack() as stack:
        held = [stack.enter_context(connected(address)) for _ in range(5)]
        assert is_closed(stack.enter_context(connected(address)))

        for client in held:
            client.close()

        eventually("there is room again", lambda: answers(address))


def answers(address: str) -> bool:
    try:
        with urllib.request.urlopen(address, timeout=5) as answer:
            return bool(answer.status == 200)
    except OSError:  # the server has not noticed yet that the others left
        return False


def test_a_silent_crowd_makes_room_by_itself() -> None:
    with serving(Impatient) as address, ExitStack() as stack:
        held = [stack.enter_context(connected(address)) for _ in range(5)]
        assert all(is_closed(client) for client in held)

        with urllib.request.urlopen(address, timeout=5) as answer:
            assert answer.status == 200
