"""SenML: checked against the examples of RFC 8428 (2018), sections 5 and 6, and against arithmetic."""

from __future__ import annotations

import csv
import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.packet import Fields, Reason, Refusal
from collector.senml import decode_senml, encode_senml_cbor, encode_senml_json
from collector.senml_pack import Record, resolve_pack
from collector.tilt import Axis
from gylewatch.values import FloatId, Reading

NOW = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)
VECTORS = Path(__file__).with_name("vectors.csv")  # each row names its source


def decode(pack: object, **options: Axis) -> tuple[Fields | Refusal, ...]:
    return decode_senml("heron", json.dumps(pack).encode(), NOW, **options)


def record(name: str, unit: str | None, value: object, **more: object) -> dict[str, object]:
    return {"n": name, "v": value} | ({} if unit is None else {"u": unit}) | more


def good(**more: object) -> list[dict[str, object]]:
    return [record("angle", "rad", math.pi / 4, **more), record("temperature", "Cel", 19.5, **more)]


def only_fields(found: tuple[Fields | Refusal, ...]) -> Fields:
    assert len(found) == 1
    assert isinstance(found[0], Fields)
    return found[0]


def only_refusal(found: tuple[Fields | Refusal, ...]) -> Refusal:
    assert len(found) == 1
    assert isinstance(found[0], Refusal)
    return found[0]


def rfc_examples() -> list[tuple[str, bytes, list[dict[str, object]]]]:
    with VECTORS.open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["kind"] in ("senml-json", "senml-cbor")]
    return [
        (
            row["name"],
            bytes.fromhex(row["input_hex_or_json"])
            if row["kind"] == "senml-cbor"
            else row["input_hex_or_json"].encode(),
            json.loads(row["decoded"]),
        )
        for row in rows
    ]


@pytest.mark.parametrize(("name", "payload", "expected"), rfc_examples())
def test_the_examples_of_the_rfc_resolve_as_printed_there(
    name: str, payload: bytes, expected: list[dict[str, object]]
) -> None:
    resolved = resolve_pack(payload, NOW)

    assert [r.name for r in resolved if isinstance(r, Record)] == [e["n"] for e in expected]
    assert [r.unit for r in resolved if isinstance(r, Record) and r.value is not None] == [
        e["u"] for e in expected if "v" in e
    ]
    assert [r.value for r in resolved if isinstance(r, Record)] == [e.get("v") for e in expected]
    assert [r.time.timestamp() if r.time else None for r in resolved if isinstance(r, Record)] == [
        pytest.approx(e["t"], abs=1e-6) if "t" in e else None for e in expected
    ]


def test_a_pack_in_radians_becomes_degrees() -> None:
    fields = only_fields(decode([*good(), record("battery", "V", 3.9), record("rssi", "dBm", -61.4)]))

    assert fields.float_name == "heron"
    assert fields.angle_deg == pytest.approx(45.0)
    assert (fields.temperature_c, fields.battery_v, fields.rssi_dbm) == (19.5, 3.9, -61)


def test_degrees_kelvin_and_percent_are_accepted() -> None:
    fields = only_fields(
        decode([record("angle", "deg", 45.5), record("temperature", "K", 293.15), record("battery", "%EL", 80)])
    )

    assert fields.angle_deg == 45.5
    assert fields.temperature_c == pytest.approx(20.0)
    assert fields.battery_percent == 80


def test_a_pack_without_time_leaves_the_time_open() -> None:
    assert only_fields(decode(good())).time is None


def test_a_small_time_is_relative_to_the_arrival() -> None:
    assert only_fields(decode(good(t=-60))).time == NOW - timedelta(seconds=60)


def test_the_first_absolute_time_of_the_rfc_is_two_to_the_28() -> None:
    assert only_fields(decode(good(t=2**28))).time == datetime.fromtimestamp(2**28, tz=UTC)
    assert only_fields(decode(good(t=2**28 - 1))).time == NOW + timedelta(seconds=2**28 - 1)


def test_records_are_grouped_by_their_resolved_time() -> None:
    start_s = 1.77e9
    pack = [record("angle", "deg", 40 + i, t=60.0 * i) for i in range(3)]
    pack += [record("temperature", "Cel", 18 + i, t=60.0 * i) for i in range(3)]

    found = decode([{"bn": "urn:dev:mac:0024befffe804ff1:", "bt": start_s}, *pack])

    assert [(f.angle_deg, f.temperature_c, f.time) for f in found if isinstance(f, Fields)] == [
        (40.0 + i, 18.0 + i, datetime.fromtimestamp(start_s + 60 * i, tz=UTC)) for i in range(3)
    ]


def test_the_base_name_does_not_change_whose_reading_it_is() -> None:
    assert only_fields(decode([{"bn": "bittern/"}, *good()])).float_name == "heron"


def test_base_unit_and_base_value_apply() -> None:
    fields = only_fields(
        decode([{"bu": "deg", "n": "angle", "v": 40}, {"bv": 10, "n": "temperature", "u": "Cel", "v": 9}])
    )

    assert (fields.angle_deg, fields.temperature_c) == (40.0, 19.0)


def test_three_axes_give_the_tilt_from_vertical_and_the_size_in_g() -> None:
    tilt = math.radians(30)
    pack = [
        record("ax", "m/s2", 9.80665 * math.sin(tilt)),
        record("ay", "m/s2", 0),
        record("az", "m/s2", 9.80665 * math.cos(tilt)),
        record("temperature", "Cel", 20),
    ]

    along_z, along_x = only_fields(decode(pack)), only_fields(decode(pack, long_axis=Axis.X))

    assert along_z.angle_deg == pytest.approx(30.0)
    assert along_z.acceleration_g == pytest.approx(1.0)
    assert along_x.angle_deg == pytest.approx(60.0)


def test_three_axes_that_show_no_gravity_give_no_angle() -> None:
    pack = [record(axis, "m/s2", 0) for axis in ("ax", "ay", "az")]

    assert only_refusal(decode([*pack, record("temperature", "Cel", 20)])).reason is Reason.MISSING_FIELD


def test_unknown_records_are_ignored() -> None:
    assert only_fields(decode([*good(), record("humidity", "%RH", 50), {"n": "label", "vs": "cellar"}])).angle_deg


def test_a_pack_of_only_unknown_records_is_refused() -> None:
    refusal = only_refusal(
        decode([record("humidity", "%RH", 50), record("tilt", "deg", 40), record("tilt", "deg", 41)])
    )

    assert refusal.reason is Reason.MISSING_FIELD
    assert "but 'humidity', 'tilt'; its records are called angle and temperature" in refusal.detail


def test_json_of_a_float_s_own_is_sent_to_a_mapping() -> None:
    (refusal,) = decode_senml("heron", b'{"angle": 47.3}', NOW)

    assert isinstance(refusal, Refusal)
    assert "belongs on a topic of its own, described by an [[mqtt.mapping]]" in refusal.detail


@pytest.mark.parametrize(
    ("pack", "reason"),
    [
        ([record("angle", "rad", 0.5)], Reason.MISSING_FIELD),
        ([record("temperature", "Cel", 20)], Reason.MISSING_FIELD),
        ([record("angle", "gon", 50), record("temperature", "Cel", 20)], Reason.UNKNOWN_UNIT),
        ([record("angle", None, 0.5), record("temperature", "Cel", 20)], Reason.UNKNOWN_UNIT),
        ([record("angle", "rad", "0.5"), record("temperature", "Cel", 20)], Reason.NOT_A_NUMBER),
        ([record("angle", "rad", True), record("temperature", "Cel", 20)], Reason.NOT_A_NUMBER),
        ([record("angle", "rad", math.nan), record("temperature", "Cel", 20)], Reason.NOT_A_NUMBER),
        ([record("angle", "rad", math.inf), record("temperature", "Cel", 20)], Reason.NOT_A_NUMBER),
        ([{"bver": 11}, *good()], Reason.UNSUPPORTED_VERSION),
        ([{"bver": "5"}, *good()], Reason.MALFORMED),
        ([{"must_": 1}, *good()], Reason.UNKNOWN_FIELD),
        ([{"bt": "today"}, *good()], Reason.NOT_A_NUMBER),
        ([*good(), record("angle", "deg", 50)], Reason.MALFORMED),
        ([], Reason.MALFORMED),
        ([1, 2], Reason.MALFORMED),
    ],
)
def test_a_pack_that_cannot_be_used_is_refused_with_its_reason(pack: object, reason: Reason) -> None:
    assert only_refusal(decode(pack)).reason is reason


@pytest.mark.parametrize("payload", [b"", b"hello", b'{"n":"angle"}', b'[{"n":', b"\x81", b"[" * 20_000, b"\xff" * 40])
def test_a_payload_that_is_no_senml_is_refused_as_malformed(payload: bytes) -> None:
    assert only_refusal(decode_senml("heron", payload, NOW)).reason is Reason.MALFORMED


def test_a_spoilt_time_slot_does_not_cost_the_others() -> None:
    found = decode([*good(t=-120), record("angle", "gon", 1, t=-60), record("temperature", "Cel", 20, t=-60)])

    assert [type(f) for f in found] == [Fields, Refusal]
    assert found[1].time == NOW - timedelta(seconds=60)


def test_a_wrong_battery_costs_only_itself_and_is_counted() -> None:
    found = decode([*good(), record("battery", "V", math.nan)])

    assert isinstance(found[0], Fields)
    assert found[0].battery_v is None
    assert isinstance(found[1], Refusal)
    assert found[1].reason is Reason.NOT_A_NUMBER


def test_an_unusable_time_is_refused() -> None:
    assert {f.reason for f in decode(good(t=1e300)) if isinstance(f, Refusal)} == {Reason.MALFORMED}


readings = st.builds(
    Reading,
    time=st.datetimes(datetime(2020, 1, 1), datetime(2040, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
    float_id=st.just(FloatId("heron")),
    angle_deg=st.floats(0, 179.9),
    temperature_c=st.floats(-20, 110),
    battery_v=st.none() | st.floats(0, 5),
    battery_percent=st.none() | st.floats(0, 100),
    rssi_dbm=st.none() | st.integers(-120, 0),
    acceleration_g=st.none() | st.floats(0.5, 2.0),
)


@given(st.lists(readings, min_size=1, max_size=5, unique_by=lambda reading: reading.time), st.booleans())
def test_what_a_float_encodes_is_decoded_to_the_same(sent: list[Reading], as_cbor: bool) -> None:
    payload = encode_senml_cbor(sent) if as_cbor else encode_senml_json(sent)

    found = decode_senml("heron", payload, NOW)

    assert len(found) == len(sent)
    for fields, reading in zip(found, sent, strict=True):
        assert isinstance(fields, Fields)
        assert fields.time is not None
        assert abs(fields.time - reading.time) <= timedelta(microseconds=2)
        assert fields.angle_deg == pytest.approx(reading.angle_deg, abs=1e-9)
        assert fields.temperature_c == reading.temperature_c
        assert (fields.battery_v, fields.battery_percent) == (reading.battery_v, reading.battery_percent)
        assert fields.rssi_dbm == reading.rssi_dbm
        assert fields.acceleration_g == (
            None if reading.acceleration_g is None else pytest.approx(reading.acceleration_g)
        )


def test_a_timeless_pack_holds_one_reading_only() -> None:
    reading = Reading(time=NOW, float_id=FloatId("heron"), angle_deg=40, temperature_c=20)

    assert only_fields(decode_senml("heron", encode_senml_json([reading], timeless=True), NOW)).time is None
    with pytest.raises(ValueError, match="exactly one float"):
        encode_senml_json([reading, reading], timeless=True)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.sampled_from(["angle", "deg"]),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["n", "u", "v", "t", "bt", "bn", "bu", "bv", "bver", "s", "x_"]), inner)
    ),
    max_leaves=12,
)


@given(st.binary(max_size=200) | json_values.map(lambda value: json.dumps([value]).encode()))
def test_any_bytes_give_values_or_refusals(payload: bytes) -> None:
    found = decode_senml("heron", payload, NOW)

    assert found
    assert all(isinstance(f, Fields | Refusal) for f in found)


@given(st.lists(st.dictionaries(st.integers(-8, 9), json_values, max_size=6), max_size=4).map(cbor2.dumps), st.binary())
def test_any_cbor_gives_values_or_refusals(payload: bytes, tail: bytes) -> None:
    found = decode_senml("heron", payload[: len(payload) - len(tail) // 2], NOW)

    assert found


def test_a_base_name_that_is_no_text_is_refused() -> None:
    found = decode_senml("heron", b'[{"bn":"\\ud800","n":"angle","u":"deg","v":30}]', NOW)

    assert only_refusal(found).reason is Reason.MALFORMED
