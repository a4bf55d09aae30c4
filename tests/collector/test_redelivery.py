"""Which message is the same one again."""

from __future__ import annotations

from collector.mqtt_loop import Receipt
from collector.redelivery import REMEMBERED, Redelivery, Taken


def receipt(number: int = 7, *, connection: int = 1) -> Receipt:
    return Receipt(connection, number, 1)


def taken(of: Redelivery, number: int = 7, payload: bytes = b"41.5") -> Taken:
    found = of.take("heron", payload, receipt(number), again=False)
    assert isinstance(found, Taken)
    return found


def test_one_that_comes_again_while_it_waits_is_acknowledged_once_it_is_stored_on_the_new_connection() -> None:
    session = Redelivery()
    first = taken(session)

    again = session.take("heron", b"41.5", receipt(connection=2), again=True)

    assert again is None
    assert session.stored(first) == receipt(connection=2)


def test_one_that_comes_again_after_it_was_stored_is_acknowledged_at_once() -> None:
    session = Redelivery()
    session.stored(taken(session))

    assert session.take("heron", b"41.5", receipt(connection=2), again=True) == receipt(connection=2)


def test_the_same_words_in_another_message_are_another_reading() -> None:
    session = Redelivery()
    session.stored(taken(session))

    other = session.take("heron", b"41.5", receipt(8, connection=2), again=True)
    new = session.take("heron", b"41.5", receipt(7, connection=2), again=False)

    assert isinstance(other, Taken)
    assert isinstance(new, Taken)


def test_a_broker_that_forgot_the_session_numbers_anew() -> None:
    session = Redelivery()
    session.stored(taken(session))

    session.begin_anew()

    assert isinstance(session.take("heron", b"41.5", receipt(connection=2), again=True), Taken)


def test_what_is_remembered_is_bounded() -> None:
    session = Redelivery()
    for number in range(REMEMBERED + 1):
        session.stored(taken(session, number))

    assert isinstance(session.take("heron", b"41.5", receipt(0, connection=2), again=True), Taken)
    assert session.take("heron", b"41.5", receipt(9, connection=2), again=True) == receipt(9, connection=2)
