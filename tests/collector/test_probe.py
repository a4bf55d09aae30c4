"""A vessel's own probe: SenML on its topic, or any JSON that the user describes."""

from __future__ import annotations

import json
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.decode import Decoding, read_packet
from collector.inbox import Delivery, Inbox
from collector.ingest import Ingest, reader
from collector.mapping import JsonMapping, Place
from collector.packet import Packet, Reason, Rejected, Source
from collector.probe import APART, Probe, thin_out
from gylewatch.values import FloatId, ProbeReading, Reading, VesselId
from tests.collector.sinks import MemorySink
from tests.eventually import eventually

NOW = datetime(2026, 3, 3, 12, 0, tzinfo=UTC)
TOPIC = "gylewatch/v1/temperatures/well"
OURS = Probe(name="well", vessel=VesselId("FV1"))
MAPPED = Probe(
    name="well",
    vessel=VesselId("FV1"),
    topic="cellar/fv1",
    temperature=Place(pointer="/beer", unit="F"),
    time=Place(pointer="/at", unit="iso"),
)


def read(
    payload: bytes, probe: Probe = OURS, *, topic: str | None = None, retained: bool = False
) -> tuple[Reading | ProbeReading | Rejected, ...]:
    packet = Packet(
        source=Source.MQTT,
        origin=topic or probe.topic_under("gylewatch/v1"),
        payload=payload,
        received=NOW,
        retained=retained,
    )
    return read_packet(packet, now=NOW, known=frozenset({FloatId("heron")}), decoding=Decoding(probes=(probe,)))


def senml(*records: dict[str, object]) -> bytes:
    return json.dumps(records).encode()


def only_reading(found: tuple[Reading | ProbeReading | Rejected, ...]) -> ProbeReading:
    (one,) = found
    assert isinstance(one, ProbeReading), one
    return one


def only_reason(found: tuple[Reading | ProbeReading | Rejected, ...]) -> Reason:
    (one,) = found
    assert isinstance(one, Rejected), one
    assert one.detail.startswith("probe well: ")
    return one.reason


def test_senml_in_celsius_or_kelvin_is_read_and_stamped_on_arrival() -> None:
    celsius = only_reading(read(senml({"n": "temperature", "u": "Cel", "v": 19.25})))
    kelvin = only_reading(read(cbor2.dumps([{0: "temperature", 1: "K", 2: 292.4}])))

    assert celsius == ProbeReading(time=NOW, probe="well", vessel=VesselId("FV1"), temperature_c=19.25)
    assert kelvin.temperature_c == pytest.approx(19.25)


def test_one_pack_may_hold_an_hour() -> None:
    start_s = NOW.timestamp() - 3600
    pack = [{"n": "temperature", "u": "Cel", "v": 19 + step / 10, "t": 900 * step} for step in range(4)]
    found = read(senml({"bn": "urn:dev:ow:10e2073a01080063:", "bt": start_s}, *pack))

    assert [each.time for each in found if isinstance(each, ProbeReading)] == [
        NOW - timedelta(minutes=60 - 15 * step) for step in range(4)
    ]


def test_what_else_the_probe_says_is_left_alone() -> None:
    found = read(senml({"n": "humidity", "u": "%RH", "v": 60}, {"n": "temperature", "u": "Cel", "v": 19}))

    assert only_reading(found).temperature_c == 19


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (senml({"n": "temperature", "u": "F", "v": 66}), Reason.UNKNOWN_UNIT),
        (senml({"n": "temperature", "v": 19}), Reason.UNKNOWN_UNIT),
        (senml({"n": "temperature", "u": "Cel", "vs": "warm"}), Reason.NOT_A_NUMBER),
        (senml({"n": "humidity", "u": "%RH", "v": 60}), Reason.MISSING_FIELD),
        (senml({"n": "temperature", "u": "Cel", "v": -127}), Reason.OUT_OF_RANGE),
        (senml({"n": "temperature", "u": "Cel", "v": 85}), Reason.OUT_OF_RANGE),
        (senml({"n": "temperature", "u": "Cel", "v": 19, "t": 3600}), Reason.IN_THE_FUTURE),
        (senml({"n": "temperature", "u": "Cel", "v": 19, "bt": 1e9}), Reason.TOO_OLD),
        (b"19.2", Reason.MALFORMED),
    ],
)
def test_what_cannot_be_used_is_refused_with_the_probe_and_the_reason(payload: bytes, reason: Reason) -> None:
    assert only_reason(read(payload)) is reason


def test_a_retained_temperature_is_not_taken_as_new() -> None:
    (found,) = read(senml({"n": "temperature", "u": "Cel", "v": 19}), retained=True)

    assert isinstance(found, Rejected)
    assert found.reason is Reason.RETAINED


def test_json_of_its_own_is_read_where_the_user_says() -> None:
    found = only_reading(read(b'{"beer": 66.2, "at": "2026-03-03T11:00:00+00:00"}', MAPPED))

    assert found.temperature_c == pytest.approx(19.0)
    assert found.time == NOW - timedelta(hours=1)


def test_a_payload_that_is_the_bare_number_is_read_by_the_empty_pointer() -> None:
    bare = Probe(
        name="well", vessel=VesselId("FV1"), topic="cellar/fv1", temperature=Place(pointer="", unit="Cel")
    )  # RFC 6901, section 5: the empty pointer is the whole document

    assert only_reading(read(b"19.5", bare)).temperature_c == 19.5


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"{}", Reason.MISSING_FIELD),
        (b'{"beer": "cold"}', Reason.NOT_A_NUMBER),
        (b'{"beer": 1e999}', Reason.NOT_A_NUMBER),
        (b'{"beer": 66, "at": "noon"}', Reason.MALFORMED),
        (b"warm", Reason.MALFORMED),
    ],
)
def test_json_that_cannot_be_used_is_refused(payload: bytes, reason: Reason) -> None:
    assert only_reason(read(payload, MAPPED)) is reason


@given(payload=st.binary(max_size=200), mapped=st.booleans())
def test_any_bytes_give_a_reading_or_a_refusal(payload: bytes, mapped: bool) -> None:
    found = read(payload, MAPPED if mapped else OURS)

    assert found
    assert all(isinstance(each, ProbeReading | Rejected) for each in found)


def test_one_payload_may_hold_float_and_probe() -> None:
    of_float = JsonMapping(
        topic="cellar/+",
        float_name="heron",
        angle=Place(pointer="/tilt", unit="deg"),
        temperature=Place(pointer="/wort", unit="Cel"),
    )
    packet = Packet(
        source=Source.MQTT, origin="cellar/fv1", payload=b'{"beer": 66.2, "wort": 19.4, "tilt": 40}', received=NOW
    )
    decoding = Decoding(mappings=(of_float,), probes=(MAPPED,))

    found = read_packet(packet, now=NOW, known=frozenset({FloatId("heron")}), decoding=decoding)

    assert {type(each) for each in found} == {Reading, ProbeReading}


def test_a_probe_without_vessel_or_with_half_a_mapping_is_no_probe() -> None:
    for wrong in (
        {"topic": "a/b"},
        {"temperature": Place(pointer="/t", unit="Cel")},
        {"time": Place(pointer="/t", unit="s")},
        {"topic": "a/#", "temperature": Place(pointer="/t", unit="Cel")},
        {"topic": "a", "temperature": Place(pointer="/t", unit="V")},
        {"vessel": VesselId("FV 1")},
        {"name": "a/b"},
    ):
        with pytest.raises(ValueError, match=r"probe|topic|unit|vessel|time"):
            Probe(**{"name": "well", "vessel": VesselId("FV1"), **wrong})  # type: ignore[arg-type]


def test_readings_are_stored_once_and_counted() -> None:
    sink, inbox = MemorySink(), Inbox()
    payload = senml({"n": "temperature", "u": "Cel", "v": 19, "bt": NOW.timestamp()})
    packet = Packet(source=Source.MQTT, origin=TOPIC, payload=payload, received=NOW)
    ingest = Ingest(inbox, sink, frozenset, read=reader(Decoding(probes=(OURS,))), now=lambda: NOW)

    receipts: list[str] = []
    for name in ("first", "again"):
        delivery = Delivery(packet=packet, acknowledge=lambda name=name: receipts.append(name))  # type: ignore[misc]
        inbox.put(delivery, threading.Event())
    ingest.start()
    eventually("both are acknowledged", lambda: receipts == ["first", "again"])
    ingest.stop()

    assert (ingest.health().accepted, ingest.health().duplicates) == (1, 1)
    assert [each.temperature_c for each in sink.probes.values()] == [19]


def at(*seconds: float) -> tuple[ProbeReading, ...]:
    return tuple(
        ProbeReading(time=NOW + timedelta(seconds=s), probe="well", vessel=VesselId("FV1"), temperature_c=19.0)
        for s in seconds
    )


def test_of_a_probe_that_reports_each_second_about_one_a_minute_is_kept() -> None:
    _, wanted = thin_out({}, at(*range(3600)))

    assert len(wanted) == 80
    assert all(later.time - earlier.time == APART for earlier, later in pairwise(wanted))


def test_a_probe_that_reports_each_minute_or_late_is_kept_whole() -> None:
    trembling = at(*(60 * i + 7 * (-1) ** i for i in range(60)))
    late = at(-3600, -3300, -3000)
    other = replace(at(3544)[0], probe="spare")

    _, wanted = thin_out({}, (*trembling, *late, other))

    assert wanted == (*trembling, *late, other)


def test_it_makes_no_difference_how_the_readings_are_bundled() -> None:
    found = at(*range(0, 1000, 7))

    last, first = thin_out({}, found[:50])
    _, second = thin_out(last, found[50:])

    assert first + second == thin_out({}, found)[1]


def test_what_is_thinned_out_is_acknowledged_and_counted() -> None:
    sink, inbox, receipts = MemorySink(), Inbox(), list[int]()
    ingest = Ingest(inbox, sink, frozenset, read=reader(Decoding(probes=(OURS,))), now=lambda: NOW)

    for second in range(-100, 0):
        payload = senml({"n": "temperature", "u": "Cel", "v": 19, "bt": NOW.timestamp() + second})
        packet = Packet(source=Source.MQTT, origin=TOPIC, payload=payload, received=NOW)
        inbox.put(Delivery(packet=packet, acknowledge=lambda: receipts.append(1)), threading.Event())
    ingest.start()
    eventually("all are acknowledged", lambda: len(receipts) == 100)
    ingest.stop()

    assert sorted(int((time - NOW).total_seconds()) for _, time in sink.probes) == [-100, -55, -10]
    assert (ingest.health().accepted, ingest.health().thinned) == (3, 97)
