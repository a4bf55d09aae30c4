"""Connections that send nothing, on real sockets: the page stays reachable beside them."""

from __future__ import annotations

import json
import socket
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from urllib.parse import urlsplit

import pytest
from fastapi import FastAPI, Request

from gylewatch.errors import TransportError
from gylewatch.http_connection import BoundedConnection, machine
from gylewatch.http_server import HttpServer, listen
from tests.eventually import eventually


class Impatient(BoundedConnection):
    arrival_s = 0.3
    most = 5


class Narrow(BoundedConnection):
    most = 5


class Fair(BoundedConnection):
    most = 6
    most_of_one = 4


@contextmanager
def serving(connection: type[BoundedConnection]) -> Iterator[str]:
    with served(connection) as server:
        yield server.address


@contextmanager
def served(connection: type[BoundedConnection]) -> Iterator[HttpServer]:
    app = FastAPI()
    app.get("/")(lambda: "here")

    @app.post("/")
    async def take(request: Request) -> int:
        return len(await request.body())

    server = HttpServer(app, listen("127.0.0.1", 0), connection=connection)
    server.start()
    try:
        yield server
    finally:
        server.stop()


def connected(address: str, source: str = "127.0.0.1") -> socket.socket:
    place = urlsplit(address)
    assert place.hostname is not None
    assert place.port is not None
    return socket.create_connection((place.hostname, place.port), timeout=5, source_address=(source, 0))


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


def test_what_is_no_http_is_answered_with_a_problem_document_and_our_sentence() -> None:
    """Such as the greeting of TLS, when a float is set to https."""
    with serving(BoundedConnection) as address, connected(address) as client:
        client.sendall(bytes.fromhex("160301000501000001000a"))
        said = b""
        while more := client.recv(1000):
            said += more

    head, _, body = said.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 400 ")
    assert b"application/problem+json" in head
    document = json.loads(body[body.index(b"{") : body.rindex(b"}") + 1])  # the body comes in chunks
    assert document == {
        "type": "about:blank",
        "title": "Bad Request",
        "status": 400,
        "detail": "this is no HTTP request; send one, over http and not https",
    }


def test_connections_beyond_the_limit_are_closed_at_once_and_room_is_used_again() -> None:
    with serving(Narrow) as address, ExitStack() as stack:
        held = [stack.enter_context(connected(address)) for _ in range(5)]
        assert is_closed(stack.enter_context(connected(address)))

        for client in held:
            client.close()

        eventually("there is room again", lambda: answers(address))


def test_one_machine_cannot_hold_every_place_and_is_told_why() -> None:
    """All of 127/8 is this machine: for the server two addresses are two machines."""
    with served(Fair) as server, ExitStack() as stack:
        held = [stack.enter_context(connected(server.address)) for _ in range(4)]
        fifth = stack.enter_context(connected(server.address))
        said = fifth.recv(1000)
        other = stack.enter_context(connected(server.address, "127.0.0.2"))
        other.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")

        assert said.startswith(b"HTTP/1.1 503 ")
        assert b"Too many connections from your machine" in said
        assert is_closed(fifth)
        assert other.recv(1000).startswith(b"HTTP/1.1 200 ")
        assert "127.0.0.1 holds as many connections to the page as are allowed (4); 1 more" in (server.problem() or "")

        for client in held:
            client.close()
        eventually("the first machine is served again", lambda: answers(server.address))


def test_a_request_sent_before_the_refusal_is_answered_with_it() -> None:
    with served(Fair) as server, ExitStack() as stack:
        for _ in range(4):
            stack.enter_context(connected(server.address))
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(server.address, timeout=5)
        refused.value.close()

        assert refused.value.code == 503
        assert refused.value.headers["Retry-After"] == "5"


@pytest.mark.parametrize(
    ("first", "second", "one_machine"),
    [
        ("2001:db8::1", "2001:db8::ffff:2", True),
        ("2001:db8::1", "2001:db8:0:1::1", False),
        ("::ffff:10.0.0.1", "10.0.0.1", True),
        ("fe80::1%eth0", "fe80::2%eth0", True),
        ("10.0.0.1", "10.0.0.2", False),
    ],
)
def test_a_machine_is_one_ipv4_address_or_one_ipv6_network(first: str, second: str, one_machine: bool) -> None:
    assert (machine((first, 1)) == machine((second, 2))) is one_machine


def test_connections_beyond_all_places_are_counted_too() -> None:
    with served(Narrow) as server, ExitStack() as stack:
        for _ in range(5):
            stack.enter_context(connected(server.address))
        assert is_closed(stack.enter_context(connected(server.address)))

        assert "other machines hold as many connections to the page as are allowed (5); 1 more" in (
            server.problem() or ""
        )


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


def test_an_address_that_this_machine_does_not_have_is_named_by_its_key() -> None:
    # TEST-NET-1 (RFC 5737) belongs to no machine.
    with pytest.raises(TransportError, match=r"http\.host = '192\.0\.2\.1': this machine has no such address"):
        listen("192.0.2.1", 0)
