"""Ingest without a broker: what is acknowledged, and when."""

from __future__ import annotations

import json
import threading
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial

import pytest

from collector.advert import BleDecoding, BleFloat, encode_advert
from collector.flood import FloodLimits
from collector.inbox import Delivery, Inbox
from collector.ingest import Ingest, reader
from collector.packet import Packet, Reason, Source
from collector.senml import encode_senml_json
from collector.steady import steady_s
from collector.timekeeper import Timekeeper
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


def test_a_float_renamed_between_reading_and_storing_is_kept_where_it_is_known_by_its_address() -> None:
    address, name = "C0:FF:EE:00:00:01", [FloatId("heron")]

    class RenamingSink(MemorySink):
        def append_readings(self, readings: Sequence[Reading], /) -> int:
            if name == ["heron"]:
                name[:] = [FloatId("egret")]
                raise NotFound("float", "heron")
            return super().append_readings(readings)

    receipts, sink = Receipts(), RenamingSink()
    inbox = filled(receipts, 1)  # over MQTT, under the old name
    payload = encode_advert({0xFCD2: b"\x40\x00\x01" + bytes.fromhex("02CA093FC201")}, {})
    packet = Packet(source=Source.BLE, origin=address, payload=payload, received=datetime.now(UTC))
    inbox.put(Delivery(packet=packet), threading.Event())
    read = reader(ble=lambda: BleDecoding(floats={address: BleFloat(name=name[0])}))
    ingest = Ingest(inbox, sink, lambda: frozenset(name), read=read, sender=read.sender)

    ingest.start()
    eventually("all is acknowledged", lambda: receipts.given and sink.kept)
    ingest.stop()

    assert [float_id for float_id, _ in sink.kept] == ["egret"]
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


def test_more_than_the_inbox_holds_goes_in_as_room_comes_and_in_its_order() -> None:
    receipts, inbox, stopping = Receipts(), Inbox(depth=3), threading.Event()
    many = [receipts.delivery(number) for number in range(10)]
    waiting = threading.Thread(target=inbox.put_all, args=(many, stopping))

    waiting.start()
    taken: list[Delivery] = []
    while len(taken) < 10:
        found = inbox.take(2, 5.0)
        assert found
        taken += found
    waiting.join(5)

    assert [id(each) for each in taken] == [id(each) for each in many]


def test_a_receiver_that_waits_for_room_ends_at_a_stop() -> None:
    receipts, inbox, stopping = Receipts(), Inbox(depth=1), threading.Event()
    inbox.put(receipts.delivery(0), stopping)
    stopping.set()

    assert not inbox.put(receipts.delivery(1), stopping)


def test_readings_wait_until_the_clock_was_set_and_are_then_stamped_by_the_monotonic_clock() -> None:
    dead_battery, truth = datetime(1970, 1, 1, 0, 5, tzinfo=UTC), datetime.now(UTC)
    clock = [dead_battery]
    sink, inbox = MemorySink(), Inbox()
    payload = encode_senml_json([reading(0)], timeless=True)
    packet = Packet(source=Source.MQTT, origin=readings_topic("heron"), payload=payload, received=dead_battery)
    inbox.put(Delivery(packet=packet, arrived_s=steady_s() - 30.0), threading.Event())
    ingest = Ingest(inbox, sink, lambda: KNOWN, now=lambda: clock[0])

    ingest.start()
    eventually("the doubt is told", lambda: ingest.health().problem)
    held = (len(inbox), ingest.health().problem)
    clock[0] = truth
    eventually("the reading is stored", lambda: sink.kept)
    ingest.stop()

    assert held[0] == 1
    assert "clock says 1970-01-01T00:05:00Z" in (held[1] or "")
    ((_, stamped),) = sink.kept
    waited = truth - stamped
    assert timedelta(seconds=30) <= waited <= timedelta(seconds=45)  # it arrived 30 s before this test began


class Leaping:
    """A clock that a test sets, beside a steady one that it moves on; both start at a true time."""

    truth = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)

    def __init__(self) -> None:
        self.passed_s = 0.0
        self.wrong_by = timedelta(0)
        self.vouched = False

    def now(self) -> datetime:
        return self.truth + timedelta(seconds=self.passed_s) + self.wrong_by

    def timekeeper(self) -> Timekeeper:
        return Timekeeper(now=self.now, steady=lambda: self.passed_s, vouched=lambda: self.vouched)

    def timeless(self, receipts: Receipts, number: int) -> Delivery:
        """A packet that says no time itself, arriving now."""
        payload = encode_senml_json([reading(number)], timeless=True)
        packet = Packet(source=Source.MQTT, origin=readings_topic("heron"), payload=payload, received=self.now())
        return Delivery(packet=packet, acknowledge=lambda: receipts.given.append(number), arrived_s=self.passed_s)


@pytest.mark.parametrize("leap", [timedelta(days=40), timedelta(hours=-3)])
def test_a_clock_that_leaps_holds_readings_and_when_it_leaps_back_none_has_a_wrong_time(leap: timedelta) -> None:
    clock, inbox, sink, receipts = Leaping(), Inbox(), MemorySink(), Receipts()
    ingest = Ingest(inbox, sink, lambda: KNOWN, now=clock.now, timekeeper=clock.timekeeper())
    ingest.start()
    inbox.put(clock.timeless(receipts, 0), threading.Event())
    eventually("the first is stored", lambda: receipts.given == [0])

    clock.passed_s, clock.wrong_by = 100.0, leap
    inbox.put(clock.timeless(receipts, 1), threading.Event())
    eventually("the leap is told", lambda: "clock leapt" in (ingest.health().problem or ""))
    held = list(receipts.given)
    clock.passed_s, clock.wrong_by = 300.0, timedelta(0)
    eventually("the second is stored", lambda: receipts.given == [0, 1])
    ingest.stop()

    assert held == [0]
    assert [time - clock.truth for _, time in sink.kept] == [timedelta(0), timedelta(seconds=100)]
    assert ingest.health().problem is None


@pytest.mark.parametrize("vouched", [True, False])
def test_a_clock_that_was_set_right_stamps_anew_what_waited(vouched: bool) -> None:
    """It was two days behind; network time sets it, or a person, after whom it must run evenly for ten minutes."""
    clock, inbox, sink, receipts = Leaping(), Inbox(), MemorySink(), Receipts()
    clock.wrong_by = timedelta(days=-2)
    timekeeper = clock.timekeeper()
    assert timekeeper.look() is None
    before = clock.timeless(receipts, 0)
    clock.passed_s, clock.wrong_by = 60.0, timedelta(0)
    assert timekeeper.look() is not None
    inbox.put(before, threading.Event())
    inbox.put(clock.timeless(receipts, 1), threading.Event())

    clock.vouched = vouched
    clock.passed_s += 0.0 if vouched else 600.0
    ingest = Ingest(inbox, sink, lambda: KNOWN, now=clock.now, timekeeper=timekeeper)
    ingest.start()
    eventually("both are stored", lambda: receipts.given == [0, 1])
    ingest.stop()

    assert [time - clock.truth for _, time in sink.kept] == [timedelta(0), timedelta(seconds=60)]
    assert timekeeper.leaps == 1


@pytest.mark.parametrize(("live", "kept"), [(False, 1), (True, 2)])
def test_a_held_reading_counts_where_the_float_is_there_and_not_where_more_waited(live: bool, kept: int) -> None:
    sink, inbox, receipts = MemorySink(), Inbox(), Receipts()
    ingest = Ingest(inbox, sink, lambda: frozenset({FloatId("heron")}))
    for number in range(2):
        packet = Packet(
            source=Source.MQTT,
            origin=readings_topic("heron"),
            payload=encode_senml_json([reading(number)], timeless=True),
            received=datetime.now(UTC) - timedelta(seconds=2 - number),
            waited=not (live and number),
        )
        inbox.put(Delivery(packet=packet, acknowledge=partial(receipts.given.append, number)), threading.Event())

    ingest.start()
    eventually("both are done with", lambda: receipts.given == [0, 1])
    ingest.stop()

    assert len(sink.kept) == kept
    assert sink.reasons() == ([] if live else [Reason.TIME_UNKNOWN])


def test_a_flood_of_unusable_packets_is_cut_and_shown_and_the_others_are_heard() -> None:
    receipts, sink, inbox = Receipts(), MemorySink(), Inbox(depth=2000)
    for number in range(500):
        inbox.put(receipts.delivery(number), threading.Event())
    payload = encode_senml_json([reading(0, "wren")])
    other = Packet(source=Source.MQTT, origin=readings_topic("wren"), payload=payload, received=datetime.now(UTC))
    inbox.put(Delivery(packet=other, acknowledge=lambda: receipts.given.append(-1)), threading.Event())
    limits = FloodLimits(burst=50, rate_per_s=0.001)
    ingest = Ingest(inbox, sink, lambda: frozenset({FloatId("wren")}), flood=limits)

    ingest.start()
    eventually("the other is acknowledged", lambda: -1 in receipts.given)
    ingest.stop()

    assert [float_id for float_id, _ in sink.kept] == ["wren"]
    assert sink.reasons().count(Reason.UNKNOWN_FLOAT) == 50
    assert Reason.TOO_FREQUENT in sink.reasons()
    assert len(receipts.given) == 501
    health = ingest.health()
    assert health.limited == 450
    assert "450 were dropped" in (health.problem or "")


def test_what_a_broker_kept_for_a_known_float_is_never_dropped_however_much_it_is() -> None:
    receipts, sink = Receipts(), MemorySink()
    limits = FloodLimits(burst=5, rate_per_s=0.001)
    ingest = Ingest(filled(receipts, 200), sink, lambda: KNOWN, flood=limits)

    ingest.start()
    eventually("all are acknowledged", lambda: len(receipts.given) == 200)
    ingest.stop()

    assert len(sink.kept) == 200
    assert ingest.health().limited == 0
    assert ingest.health().problem is None


def test_a_float_that_nobody_added_is_listed_with_signal_and_last_values() -> None:
    inbox, sink = Inbox(), MemorySink()
    advert = encode_advert({0xFCD2: bytes.fromhex("400009016102CA090C020C3FC201")}, {})
    packet = Packet(
        source=Source.BLE, origin="C0:FF:EE:00:00:01", payload=advert, received=datetime.now(UTC), rssi_dbm=-66
    )
    inbox.put(Delivery(packet=packet), threading.Event())
    ingest = Ingest(inbox, sink, lambda: KNOWN)

    ingest.start()
    eventually("it is listed", ingest.heard)
    ingest.stop()

    (heard,) = ingest.heard()
    assert (heard.name, heard.source, heard.rssi_dbm) == ("C0:FF:EE:00:00:01", Source.BLE, -66)
    assert (heard.angle_deg, heard.temperature_c, heard.battery_v) == (45.0, 25.06, 3.074)


def test_an_adopted_bluetooth_float_becomes_readings_once_for_each_packet_id() -> None:
    inbox, sink = Inbox(), MemorySink()
    address = "C0:FF:EE:00:00:01"
    start = datetime.now(UTC)
    for second, packet_id in enumerate((1, 1, 2, 2, 2, 3)):
        advert = encode_advert({0xFCD2: b"\x40\x00" + bytes([packet_id]) + bytes.fromhex("02CA093FC201")}, {})
        packet = Packet(
            source=Source.BLE, origin=address, payload=advert, received=start + timedelta(seconds=second - 60)
        )
        inbox.put(Delivery(packet=packet, arrived_s=steady_s() + second - 60), threading.Event())
    decoding = BleDecoding(floats={address: BleFloat(name="heron")})
    ingest = Ingest(inbox, sink, lambda: KNOWN, read=reader(ble=lambda: decoding))

    ingest.start()
    eventually("three are stored", lambda: len(sink.kept) == 3)
    ingest.stop()

    assert ingest.health().rejected == 0


def test_a_battery_that_cannot_be_true_is_told_and_neither_counted_as_refused_nor_as_a_flood() -> None:
    inbox, sink, receipts = Inbox(), MemorySink(), Receipts()
    for number in range(3):
        delivery = receipts.delivery(number)
        payload = encode_senml_json([replace(reading(number), battery_v=307.4)])
        inbox.put(replace(delivery, packet=replace(delivery.packet, payload=payload)), threading.Event())
    ingest = Ingest(inbox, sink, lambda: KNOWN, flood=FloodLimits(burst=1, rate_per_s=0.001))

    ingest.start()
    eventually("all are acknowledged", lambda: len(receipts.given) == 3)
    ingest.stop()

    assert [each.battery_v for each in sink.kept.values()] == [None] * 3
    assert sink.reasons() == [Reason.VALUE_LEFT_OUT] * 3
    assert (ingest.health().rejected, ingest.health().limited, ingest.health().problem) == (0, 0, None)


def test_a_float_heard_by_a_radio_and_by_a_bridge_is_stored_once_with_the_better_signal() -> None:
    """In one batch, and where the second arrives after the first is stored."""
    address, start, sink = "C0:FF:EE:00:00:01", datetime.now(UTC), MemorySink()
    receipts, inbox = Receipts(), Inbox()
    decoding = BleDecoding(floats={address: BleFloat(name="heron")})
    ingest = Ingest(inbox, sink, lambda: KNOWN, read=reader(ble=lambda: decoding))

    def radio(packet_id: int, rssi_dbm: int) -> Delivery:
        payload = encode_advert({0xFCD2: b"\x40\x00" + bytes([packet_id]) + bytes.fromhex("02CA093FC201")}, {})
        packet = Packet(source=Source.BLE, origin=address, payload=payload, received=start, rssi_dbm=rssi_dbm)
        return Delivery(packet=packet, acknowledge=lambda: receipts.given.append(rssi_dbm))

    def bridge(after_s: float, rssi_dbm: int) -> Delivery:
        records = [("angle", "deg", 45.0), ("temperature", "Cel", 25.06), ("rssi", "dBm", rssi_dbm)]
        payload = json.dumps([{"n": name, "u": unit, "v": value} for name, unit, value in records]).encode()
        received = start + timedelta(seconds=after_s)
        packet = Packet(source=Source.MQTT, origin=readings_topic("heron"), payload=payload, received=received)
        return Delivery(packet=packet, acknowledge=lambda: receipts.given.append(rssi_dbm))

    for delivery in (radio(1, -80), bridge(0.2, -75)):
        inbox.put(delivery, threading.Event())
    ingest.start()
    eventually("both are acknowledged", lambda: receipts.given == [-80, -75])
    inbox.put(bridge(0.3, -61), threading.Event())
    eventually("the third is acknowledged", lambda: receipts.given == [-80, -75, -61])
    ingest.stop()

    assert [(time, each.rssi_dbm) for (_, time), each in sink.kept.items()] == [(start, -61)]
    assert (ingest.health().accepted, ingest.health().duplicates) == (1, 2)


def test_a_fault_in_the_program_shows_in_the_health_and_acknowledges_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    faults: list[object] = []
    monkeypatch.setattr(threading, "excepthook", lambda hooked: faults.append(hooked.exc_type))

    class BrokenSink(MemorySink):
        def append_readings(self, readings: Sequence[Reading], /) -> int:
            raise ZeroDivisionError

    receipts = Receipts()
    ingest = Ingest(filled(receipts, 1), BrokenSink(), lambda: KNOWN)

    ingest.start()
    eventually("the fault was raised", lambda: faults)

    assert faults == [ZeroDivisionError]
    assert "fault in the program" in (ingest.health().problem or "")
    assert receipts.given == []
