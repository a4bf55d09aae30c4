"""The newest posted packets: bounded, by float, and only for who has the token."""

from __future__ import annotations

from datetime import UTC, datetime

from fastapi.testclient import TestClient

from collector.packet import Packet, Source
from tests.web import brewery
from web.posted import PostedPackets

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def packet(name: str, payload: bytes = b"[]") -> Packet:
    return Packet(source=Source.HTTP, origin=name, payload=payload, received=NOON)


def test_only_what_came_since_the_last_question_and_of_that_float_is_given() -> None:
    posted = PostedPackets()
    posted.add(packet("heron", b"before"))
    after, nothing = posted.since(None, "heron")
    for name, payload in (("heron", b"one"), ("wren", b"two"), ("heron", b"three")):
        posted.add(packet(name, payload))

    count, found = posted.since(after, "heron")

    assert nothing == ()
    assert [each.payload for each in found] == [b"one", b"three"]
    assert posted.since(count, "heron") == (4, ())


def test_a_count_from_before_a_restart_begins_anew() -> None:
    posted = PostedPackets()
    posted.add(packet("heron"))

    assert posted.since(99, "heron") == (1, ())


def test_the_oldest_are_forgotten_by_number_and_by_size() -> None:
    many, large = PostedPackets(), PostedPackets()
    for number in range(300):
        many.add(packet("heron", str(number).encode()))
    for _ in range(5):
        large.add(packet("heron", bytes(300_000)))

    assert [each.payload for each in many.since(0, "heron")[1]][:1] == [b"100"]
    assert len(large.since(0, "heron")[1]) == 3


def test_a_name_counts_as_much_as_what_it_says() -> None:
    posted, name = PostedPackets(), "h" * 300_000
    for _ in range(5):
        posted.add(packet(name))

    assert len(posted.since(0, name)[1]) == 3


def test_without_the_token_nothing_is_told(client: TestClient) -> None:
    asked = "/api/v1/readings/posted?float=heron"

    assert client.get(asked).status_code == 401
    answer = client.get(asked, headers={"Authorization": f"Bearer {brewery.TOKEN}"})
    assert (answer.status_code, answer.json()) == (200, {"after": 0, "packets": []})
