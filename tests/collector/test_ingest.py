"""Ingest without a broker: what is acknowledged, and when."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from datetime import UTC, datetime

from collector.inbox import Delivery, Inbox
from collector.ingest import Ingest
from collector.packet import Packet, Reason, Source
from collector.senml import encode_senml_json
from collector.topics import readings_topic
from gylewatch.errors import NotFound, StorageError
from gylewatch.values import FloatId, Reading
from tests.collector.sender import reading
from tests.collector.sinks import MemorySink
from tests.eventually import eventually

KNOWN = frozenset({FloatId("heron")})


class Receipts:
    def __init__(self) -> None:
        self.given: list[int] = []

    def delivery(self, number: int) -> Delivery:
        packet = Packet(
            source=Source.MQTT,
            origin=readings_topic("heron"),
            payload=encode_senml_json([reading(number)]),
            received=datetime.now(UTC),
        )
        return Delivery(packet=packet, acknowledge=lambda: self.given.append(number))


def filled(receipts: Receipts, count: int) -> Inbox:
    inbox = Inbox()
    for number in range(count):
        inbox.put(receipts.delivery(number), threading.Event())
    return inbox


def test_a_backlog_is_stored_in_batches_and_acknowledged_in_order() -> None:
    receipts, sink = Receipts(), MemorySink()
    ingest = Ingest(filled(receipts, 250), sink, lambda: KNOWN, batch_packets=100)

    ingest.start()
    eventually("all are acknowledged", lambda: len(receipts.given) == 250)
    ingest.stop()

    assert sink.batches == [100, 100, 50]
    assert receipts.given == list(range(250))


def test_nothing_is_acknowledged_while_storage_refuses() -> None:
    receipts, sink = Receipts(), MemorySink()
    sink.fault = StorageError("the database is locked", retry=True)
    ingest = Ingest(filled(receipts, 3), sink, lambda: KNOWN)

    ingest.start()
    eventually("storing was tried three times", lambda: sink.attempts >= 3)
    ingest.stop()

    assert receipts.given == []
    assert ingest.health().problem == "the database is locked"


def test_a_permanent_fault_is_kept_and_shown_and_ends_at_a_stop() -> None:
    receipts, sink = Receipts(), MemorySink()
    sink.fault = StorageError("gylewatch.db is damaged; restore a copy", retry=False)
    ingest = Ingest(filled(receipts, 1), sink, lambda: KNOWN)

    ingest.start()
    eventually("the problem is known", lambda: ingest.health().problem)
    ingest.stop()

    assert sink.attempts == 1
    assert receipts.given == []


def test_who_waits_for_readings_is_told_after_the_commit() -> None:
    told: list[tuple[int, Sequence[Reading]]] = []
    receipts, sink = Receipts(), MemorySink()
    ingest = Ingest(
        filled(receipts, 2), sink, lambda: KNOWN, on_stored=lambda readings: told.append((len(sink.kept), readings))
    )

    ingest.start()
    eventually("it was told", lambda: told)
    ingest.stop()

    ((kept_then, readings),) = told
    assert kept_then == 2
    assert [r.time for r in readings] == [reading(0).time, reading(1).time]


def test_a_float_removed_between_reading_and_storing_is_refused_and_the_thread_goes_on() -> None:
    known = set(KNOWN)

    class ForgetfulSink(MemorySink):
        def append_readings(self, readings: Sequence[Reading], /) -> int:
            if known:
                known.clear()
                raise NotFound("float", "heron")
            return super().append_readings(readings)

    receipts, sink = Receipts(), ForgetfulSink()
    ingest = Ingest(filled(receipts, 1), sink, lambda: frozenset(known))

    ingest.start()
    eventually("it is acknowledged", lambda: receipts.given)
    ingest.stop()

    assert sink.reasons() == [Reason.UNKNOWN_FLOAT]


def test_a_full_inbox_makes_the_receiver_wait_until_there_is_room() -> None:
    receipts, inbox, stopping = Receipts(), Inbox(depth=1), threading.Event()
    inbox.put(receipts.delivery(0), stopping)
    waiting = threading.Thread(target=inbox.put, args=(receipts.delivery(1), stopping))

    waiting.start()
    first = inbox.take(1, 1.0)
    waiting.join(5)

    assert len(first) == 1
    assert len(inbox) == 1


def test_a_receiver_that_waits_for_room_ends_at_a_stop() -> None:
    receipts, inbox, stopping = Receipts(), Inbox(depth=1), threading.Event()
    inbox.put(receipts.delivery(0), stopping)
    stopping.set()

    assert not inbox.put(receipts.delivery(1), stopping)
