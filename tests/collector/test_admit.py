"""Admission: which decoded values may become readings."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.admit import Limits, admit, admit_slot
from collector.packet import Fields, Packet, Reason, Refusal, Rejected, Source
from gylewatch.values import FloatId, Reading

NOW = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)
KNOWN = frozenset({FloatId("heron")})
PACKET = Packet(source=Source.MQTT, origin="gylewatch/v1/readings/heron", payload=b"[...]", received=NOW)
FIELDS = Fields(float_name="heron", angle_deg=42.0, temperature_c=19.0)


def judge(
    fields: Fields | Refusal = FIELDS, packet: Packet = PACKET, limits: Limits | None = None
) -> Reading | Rejected:
    return admit(fields, packet, now=NOW, known=KNOWN, limits=limits or Limits())


def reason(outcome: Reading | Rejected) -> Reason | None:
    return outcome.reason if isinstance(outcome, Rejected) else None


def test_plausible_fields_become_a_reading_stamped_on_arrival() -> None:
    reading = judge(replace(FIELDS, battery_v=3.9, rssi_dbm=-70))

    assert reading == Reading(
        time=NOW, float_id=FloatId("heron"), angle_deg=42.0, temperature_c=19.0, battery_v=3.9, rssi_dbm=-70
    )


def test_a_float_that_buffered_may_send_late() -> None:
    measured = NOW - timedelta(days=20)

    reading = judge(replace(FIELDS, time=measured))

    assert isinstance(reading, Reading)
    assert reading.time == measured


def test_the_signal_of_the_receiver_is_used_where_the_float_gives_none() -> None:
    reading = judge(packet=replace(PACKET, rssi_dbm=-55))

    assert isinstance(reading, Reading)
    assert reading.rssi_dbm == -55


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"angle_deg": 180.0}, Reason.OUT_OF_RANGE),
        ({"angle_deg": -0.1}, Reason.OUT_OF_RANGE),
        ({"angle_deg": 307.4}, Reason.OUT_OF_RANGE),
        ({"angle_deg": math.nan}, Reason.NOT_A_NUMBER),
        ({"temperature_c": math.inf}, Reason.NOT_A_NUMBER),
        ({"temperature_c": -127.0}, Reason.OUT_OF_RANGE),
        ({"temperature_c": 110.1}, Reason.OUT_OF_RANGE),
        ({"temperature_c": 85.0}, Reason.OUT_OF_RANGE),
        ({"temperature_c": 358.15 - 273.15}, Reason.OUT_OF_RANGE),
        ({"float_name": "bittern"}, Reason.UNKNOWN_FLOAT),
        ({"time": NOW + timedelta(minutes=5, seconds=1)}, Reason.IN_THE_FUTURE),
        ({"time": NOW - timedelta(days=45, seconds=1)}, Reason.TOO_OLD),
        ({"time": datetime(1970, 1, 1, tzinfo=UTC)}, Reason.TOO_OLD),
    ],
)
def test_what_cannot_be_true_is_refused_with_its_reason(change: dict[str, object], expected: Reason) -> None:
    assert reason(judge(replace(FIELDS, **change))) is expected  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "change",
    [
        {"angle_deg": 0.0},
        {"angle_deg": 179.9},
        {"temperature_c": 85.0625},  # the next step of a 1/16 degree thermometer
        {"temperature_c": -20.0},
        {"time": NOW + timedelta(minutes=5)},
        {"time": NOW - timedelta(days=45)},
    ],
)
def test_what_may_just_be_true_is_admitted(change: dict[str, object]) -> None:
    assert isinstance(judge(replace(FIELDS, **change)), Reading)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "remedy"), [("bittern", "add it on the page"), ("café", "let it send a name of plain letters")]
)
def test_an_unknown_float_is_told_only_what_can_be_done(name: str, remedy: str) -> None:
    outcome = judge(replace(FIELDS, float_name=name))

    assert isinstance(outcome, Rejected)
    assert remedy in outcome.detail


def test_a_retained_packet_is_refused_even_when_it_is_plausible() -> None:
    assert reason(judge(packet=replace(PACKET, retained=True))) is Reason.RETAINED


def test_a_refusal_of_the_decoder_keeps_its_reason_and_gains_the_packet() -> None:
    refusal = Refusal(reason=Reason.UNKNOWN_UNIT, detail="angle has no unit; send it in rad or deg", float_name="heron")

    outcome = judge(refusal, replace(PACKET, payload=b"x" * 2000))

    assert isinstance(outcome, Rejected)
    assert (outcome.reason, outcome.float_id, outcome.origin) == (Reason.UNKNOWN_UNIT, "heron", PACKET.origin)
    assert len(outcome.payload) == 512


def test_a_gauge_fault_costs_the_gauge_and_not_the_reading() -> None:
    reading = judge(replace(FIELDS, battery_v=307.4, battery_percent=math.nan, rssi_dbm=4000))

    assert isinstance(reading, Reading)
    assert (reading.battery_v, reading.battery_percent, reading.rssi_dbm) == (None, None, None)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"battery_v": 307.4}, "battery 307.4 V is outside 0 to 60"),
        ({"battery_percent": 250.0}, "battery 250 % is outside 0 to 100"),
        ({"battery_v": math.nan}, "battery is not a number"),
        ({"rssi_dbm": 4000}, "signal 4000 dBm is outside -150 to 30"),
        ({"acceleration_g": math.inf}, "acceleration is not a number"),
        ({"battery_v": -1.0, "rssi_dbm": -200}, "outside 0 to 60, signal -200 dBm"),
    ],
)
def test_what_is_left_out_of_a_reading_is_told_with_its_float(change: dict[str, Any], said: str) -> None:
    kept, told = admit_slot(replace(FIELDS, **change), PACKET, now=NOW, known=KNOWN)

    assert isinstance(kept, Reading)
    assert isinstance(told, Rejected)
    assert (told.reason, told.float_id) == (Reason.VALUE_LEFT_OUT, "heron")
    assert said in told.detail
    assert "left out of a reading that is kept" in told.detail


def test_a_signal_that_no_receiver_could_have_measured_is_told() -> None:
    _, told = admit_slot(FIELDS, replace(PACKET, rssi_dbm=99), now=NOW, known=KNOWN)

    assert isinstance(told, Rejected)
    assert "signal 99 dBm" in told.detail


@pytest.mark.parametrize(
    "change", [{}, {"battery_v": 3.9, "battery_percent": 0.0, "rssi_dbm": -61}, {"angle_deg": 180.0}]
)
def test_of_a_reading_without_a_fault_or_refused_whole_nothing_more_is_told(change: dict[str, Any]) -> None:
    assert len(admit_slot(replace(FIELDS, **change), PACKET, now=NOW, known=KNOWN)) == 1


def test_the_age_limit_can_be_set() -> None:
    old = replace(FIELDS, time=NOW - timedelta(days=2))

    assert reason(judge(old, limits=Limits(age=timedelta(days=1)))) is Reason.TOO_OLD


def test_every_refusal_reads_as_one_sentence() -> None:
    for change in ({"angle_deg": 180.0}, {"temperature_c": -127.0}, {"float_name": "bittern"}):
        outcome = judge(replace(FIELDS, **change))

        assert isinstance(outcome, Rejected)
        assert "\n" not in outcome.detail
        assert len(outcome.detail) > 20


@given(st.floats(), st.floats())
def test_any_numbers_give_a_reading_or_a_refusal(angle_deg: float, temperature_c: float) -> None:
    outcome = judge(replace(FIELDS, angle_deg=angle_deg, temperature_c=temperature_c))

    assert isinstance(outcome, Reading | Rejected)


@pytest.mark.parametrize("name", ["\ud800", "a\x00b", "\x1b]0;st"])
def test_a_name_that_is_no_text_is_refused_in_a_form_that_can_be_stored(name: str) -> None:
    packet = Packet(source=Source.HTTP, origin=name, payload=b"", received=NOW)
    fields = Fields(float_name=name, angle_deg=30.0, temperature_c=20.0)

    outcome = admit(fields, packet, now=NOW, known=frozenset())

    assert isinstance(outcome, Rejected)
    assert outcome.reason is Reason.MALFORMED
    assert outcome.float_id is None
    for text in (outcome.origin, outcome.detail):  # encoding a lone surrogate would raise
        assert "\x00" not in text.encode().decode()
