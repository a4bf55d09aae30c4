"""Which message is the same one again."""

from __future__ import annotations

from collector.mqtt_loop import Receipt
from collector.redelivery import REMEMBERED, Redelivery


def receipt(number: int = 7, *, connection: int = 1, message: str = "41.5") -> Receipt:
    return Receipt(connection, number, 1, hash(message))


def test_one_that_comes_again_has_the_same_receipt_and_over_the_new_connection() -> None:
    session, first = Redelivery(), receipt()
    assert session.take(first, again=False) is None

    found = session.take(receipt(connection=2), again=True)

    assert found is first
    assert first == receipt(connection=2)
    assert session.take(receipt(connection=3), again=True) is first


def test_the_same_words_in_another_message_are_another_reading() -> None:
    session = Redelivery()
    session.take(receipt(), again=False)

    assert session.take(receipt(8, connection=2), again=True) is None
    assert session.take(receipt(7, connection=2), again=False) is None


def test_other_words_under_a_number_that_was_used_before_are_another_reading() -> None:
    session = Redelivery()
    session.take(receipt(), again=False)

    assert session.take(receipt(connection=2, message="41.6"), again=True) is None


def test_a_broker_that_forgot_the_session_numbers_anew() -> None:
    session = Redelivery()
    session.take(receipt(), again=False)

    session.begin_anew()

    assert session.take(receipt(connection=2), again=True) is None


def test_what_is_remembered_is_bounded() -> None:
    session = Redelivery()
    for number in range(REMEMBERED + 1):
        session.take(receipt(number), again=False)

    assert session.take(receipt(9, connection=2), again=True) is not None
    assert session.take(receipt(0, connection=2), again=True) is None
