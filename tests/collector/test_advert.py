"""Advertisements: recording, echoes, keys and layouts."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.advert import (
    BleDecoding,
    BleFloat,
    Sender,
    decode_advert,
    decode_heard,
    encode_advert,
    unsaved_counters,
)
from collector.layout import AdvertLayout, LayoutField, decode_layout
from collector.packet import Fields, Packet, Reason, Refusal, Source
from tests.collector.encrypted import KEY, encrypted_bthome

NOW = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)
ADDRESS = "54:48:E6:8F:80:A5"
ADOPTED = BleDecoding(floats={ADDRESS: BleFloat(name="heron")})
LAYOUT = AdvertLayout(
    company=0xFFFF,  # reserved for tests by the Bluetooth SIG
    starts_with=b"\x01",
    angle=LayoutField(offset=1, type="u16", unit="deg", big_endian=True, scale=0.1),
    temperature=LayoutField(offset=3, type="i16", unit="F", scale=0.1),
    battery=LayoutField(offset=5, type="u8", unit="mV", scale=20, shift=1000),
)


def plain(packet_id: int | None = 1, rotation: int = 450, temperature: int = 2000) -> bytes:
    head = b"" if packet_id is None else bytes([0, packet_id])
    return (
        b"\x40" + head + b"\x02" + temperature.to_bytes(2, "little", signed=True)
        + b"\x3f" + rotation.to_bytes(2, "little", signed=True)
    )  # fmt: skip


def packet(service_data: bytes, after_s: float = 0, address: str = ADDRESS) -> Packet:
    return Packet(
        source=Source.BLE,
        origin=address,
        payload=encode_advert({0xFCD2: service_data}, {}),
        received=NOW + timedelta(seconds=after_s),
        rssi_dbm=-70,
    )


def heard(packets: list[Packet], decoding: BleDecoding = ADOPTED) -> list[Fields | Refusal | None]:
    senders: Mapping[str, Sender] = {}
    found = []
    for one in packets:
        senders, outcome = decode_heard(decoding, senders, one)
        found.append(outcome)
    return found


def test_an_adopted_float_is_called_by_its_name() -> None:
    (found,) = heard([packet(plain())])

    assert found == Fields(float_name="heron", angle_deg=45.0, temperature_c=20.0)


def test_the_same_packet_id_is_one_reading_however_long_it_is_repeated() -> None:
    found = heard([packet(plain(1), after) for after in (0, 5, 90, 800)] + [packet(plain(2), 900)])

    assert [outcome is not None for outcome in found] == [True, False, False, False, True]


def test_without_packet_id_an_echo_is_dropped_but_a_float_that_lies_still_is_heard_each_minute() -> None:
    found = heard([packet(plain(None), after) for after in (0, 1, 59, 61)])

    assert [outcome is not None for outcome in found] == [True, False, False, True]


def test_an_unknown_float_is_named_by_its_address() -> None:
    (found,) = heard([packet(plain())], BleDecoding())

    assert isinstance(found, Fields)
    assert found.float_name == ADDRESS


def test_the_neighbours_other_devices_are_no_news() -> None:
    humidity_only = b"\x40\x03\xbf\x13"

    assert heard([packet(humidity_only)], BleDecoding()) == [None]


def test_an_encrypted_echo_is_dropped_and_a_recording_of_an_older_one_refused() -> None:
    first = bytes.fromhex("410531b159da6cd9c8457d010000004ad3053b")
    later_counter = {ADDRESS: Sender(heard=NOW, counter=7, payload=b"newer")}
    decoding = BleDecoding(floats={ADDRESS: BleFloat(name="heron", key=KEY)})

    found = heard([packet(first), packet(first, 900)], decoding)
    _, replayed = decode_heard(decoding, later_counter, packet(first, 10))

    assert isinstance(found[0], Fields)
    assert found[1] is None
    assert isinstance(replayed, Refusal)
    assert replayed.reason is Reason.REPLAYED


def encrypted(counter: int, rotation: int = 450) -> Packet:
    body = bytes.fromhex("02D0073F") + rotation.to_bytes(2, "little")  # 20 C
    return packet(encrypted_bthome(ADDRESS, body, counter), counter)


def with_saved(counter: int | None) -> BleDecoding:
    return BleDecoding(floats={ADDRESS: BleFloat(name="heron", key=KEY, counter=counter)})


def test_after_a_restart_a_recording_from_before_it_is_refused() -> None:
    old, newer = heard([encrypted(6), encrypted(9)], with_saved(8))

    assert isinstance(old, Refusal)
    assert old.reason is Reason.REPLAYED
    assert isinstance(newer, Fields)


def test_after_a_restart_the_last_advertisement_is_no_news() -> None:
    """The Bluetooth service keeps a device's last advertisement and gives it to whoever begins to scan."""
    (last,) = heard([encrypted(8)], with_saved(8))

    assert last is None


def test_a_counter_is_to_be_saved_once_it_has_moved() -> None:
    senders, _ = decode_heard(with_saved(8), {}, encrypted(9))

    assert unsaved_counters(with_saved(8), senders) == {"heron": 9}
    assert unsaved_counters(with_saved(9), senders) == {}


def test_a_counter_that_the_user_had_forgotten_begins_anew_and_is_not_saved_again() -> None:
    senders, _ = decode_heard(with_saved(8), {}, encrypted(9))
    senders, _ = decode_heard(with_saved(9), senders, encrypted(10))
    senders, refused = decode_heard(with_saved(10), senders, encrypted(2))
    assert isinstance(refused, Refusal)

    forgotten = unsaved_counters(with_saved(None), senders)
    senders, taken = decode_heard(with_saved(None), senders, encrypted(3))
    senders, replayed = decode_heard(with_saved(None), senders, encrypted(1))

    assert forgotten == {}
    assert isinstance(taken, Fields)
    assert isinstance(replayed, Refusal)
    assert unsaved_counters(with_saved(None), senders) == {"heron": 3}


def test_a_forgery_does_not_push_out_the_true_float() -> None:
    first = bytes.fromhex("410531b159da6cd9c8457d010000004ad3053b")
    decoding = BleDecoding(floats={ADDRESS: BleFloat(name="heron", key=KEY)})

    found = heard([packet(plain(1)), packet(first, 1), packet(plain(2), 2), packet(first, 3)], decoding)

    assert [type(outcome) for outcome in found] == [Refusal, Fields, Refusal, type(None)]


def test_a_users_layout_reads_manufacturer_data() -> None:
    data = b"\x01" + (415).to_bytes(2, "big") + (680).to_bytes(2, "little") + bytes([145])
    payload = encode_advert({}, {0xFFFF: data})
    sent = Packet(source=Source.BLE, origin=ADDRESS.lower(), payload=payload, received=NOW)

    (found,) = heard([sent], BleDecoding(floats=ADOPTED.floats, layouts=(LAYOUT,)))

    assert isinstance(found, Fields)
    assert found.angle_deg == pytest.approx(41.5)
    assert found.temperature_c == pytest.approx(20.0)
    assert found.battery_v == pytest.approx(3.9)


def test_a_layouts_battery_that_is_no_number_is_not_mistaken_for_one_that_is_missing() -> None:
    layout = replace(LAYOUT, starts_with=b"", battery=LayoutField(offset=5, type="f32", unit="V"))
    body = b"\x01" + (415).to_bytes(2, "big") + (680).to_bytes(2, "little")

    spoilt, _ = decode_layout(layout, "heron", body + struct.pack("<f", math.nan))
    missing, _ = decode_layout(layout, "heron", body)

    assert isinstance(spoilt, Fields)
    assert spoilt.battery_v is not None
    assert math.isnan(spoilt.battery_v)
    assert isinstance(missing, Fields)
    assert missing.battery_v is None


def test_a_layout_that_reaches_beyond_the_data_refuses_with_its_remedy() -> None:
    sent = Packet(source=Source.BLE, origin=ADDRESS, payload=encode_advert({}, {0xFFFF: b"\x01\x00"}), received=NOW)

    (found,) = heard([sent], BleDecoding(floats=ADOPTED.floats, layouts=(LAYOUT,)))

    assert isinstance(found, Refusal)
    assert "offset and type" in found.detail


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"type": "u24"}, "u8, i8"),
        ({"offset": 300}, "0 to 250"),
        ({"scale": 0.0}, "scale not 0"),
    ],
)
def test_a_wrong_layout_field_is_named_with_what_is_allowed(change: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        LayoutField(**({"offset": 0, "type": "u8", "unit": "deg"} | change))  # type: ignore[arg-type]


@given(
    st.dictionaries(st.integers(0, 65535), st.binary(max_size=250), max_size=4),
    st.dictionaries(st.integers(0, 65535), st.binary(max_size=250), max_size=4),
)
def test_what_is_recorded_is_read_back(service: dict[int, bytes], manufacturer: dict[int, bytes]) -> None:
    assert decode_advert(encode_advert(service, manufacturer)) == (service, manufacturer)


@given(st.binary(max_size=100))
def test_any_payload_gives_fields_a_refusal_or_nothing(payload: bytes) -> None:
    sent = Packet(source=Source.BLE, origin=ADDRESS, payload=payload, received=NOW)

    _, found = decode_heard(BleDecoding(floats=ADOPTED.floats, layouts=(LAYOUT,)), {}, sent)

    assert found is None or isinstance(found, Fields | Refusal)
