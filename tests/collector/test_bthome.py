"""BTHome v2: checked against the vectors in vectors.csv (each with its source) and against bthome-ble as an oracle."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from bthome_ble.const import MEAS_TYPES
from hypothesis import given
from hypothesis import strategies as st

from collector.bthome import Advertised, bthome_objects, counter_of, decode_bthome
from collector.packet import Fields, Reason, Refusal
from collector.tilt import Axis
from tests.collector.encrypted import encrypted_bthome

ADDRESS = "54:48:E6:8F:80:A5"
KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")
ENCRYPTED = bytes.fromhex("410531b159da6cd9c8457d010000004ad3053b")  # made with AES-CCM, read by bthome-ble; counter 1
NAMES = {
    "temperature": "temperature_c", "battery": "battery_percent", "voltage": "battery_v", "rotation": "rotation_deg",
    "acceleration": "acceleration_m_s2", "packet_id": "packet_id",
}  # fmt: skip


def rows(kind: str) -> list[dict[str, str]]:
    with Path(__file__).with_name("vectors.csv").open(encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["kind"] == kind]


def fields(advertised: Advertised) -> Fields:
    assert isinstance(advertised.found, Fields), advertised.found
    return advertised.found


def refusal(advertised: Advertised) -> Refusal:
    assert isinstance(advertised.found, Refusal), advertised.found
    return advertised.found


@pytest.mark.parametrize("row", rows("bthome2"), ids=lambda row: row["name"])
def test_the_published_vectors_give_the_published_values(row: dict[str, str]) -> None:
    published = {name.rstrip("_12"): value for name, value in json.loads(row["decoded"]).items()}
    expected_names = {NAMES[name] for name in published if name in NAMES}
    expected_values = [value for name, value in json.loads(row["decoded"]).items() if name.rstrip("_12") in NAMES]

    found = bthome_objects(bytes.fromhex(row["input_hex_or_json"])[1:])

    assert dict(found).keys() == expected_names
    assert sorted(value for _, value in found) == pytest.approx(sorted(expected_values))


@pytest.mark.parametrize("number", sorted(number for number in MEAS_TYPES if number not in (0x3B, 0x53, 0x54)))
def test_every_object_is_stepped_over_by_the_length_the_oracle_knows(number: int) -> None:
    body = bytes([number]) + bytes(MEAS_TYPES[number].data_length) + bytes.fromhex("3FC201")

    assert bthome_objects(body)[-1] == ("rotation_deg", 45.0)


def test_text_and_raw_objects_are_stepped_over_by_their_own_length() -> None:
    assert bthome_objects(bytes.fromhex("53034142435401003FC201")) == (("rotation_deg", 45.0),)


def test_a_full_advertisement_gives_fields_and_packet_id() -> None:
    advertised = decode_bthome("heron", ADDRESS, bytes.fromhex("400009016102CA090C020C3FC201"))

    assert advertised.packet_id == 9
    assert fields(advertised) == Fields(
        float_name="heron", angle_deg=45.0, temperature_c=25.06, battery_v=3.074, battery_percent=97.0
    )


def test_a_rotation_to_the_other_side_is_the_same_tilt() -> None:
    assert fields(decode_bthome("heron", ADDRESS, bytes.fromhex("4002CA093F7EFC"))).angle_deg == 89.8


def test_three_signed_axes_give_the_tilt() -> None:
    axes = b"".join(b"\x63" + value.to_bytes(4, "little", signed=True) for value in (0, 9_806_650, 0))

    upright_y = fields(decode_bthome("heron", ADDRESS, b"\x40\x02\xca\x09" + axes, long_axis=Axis.Y))
    along_z = fields(decode_bthome("heron", ADDRESS, b"\x40\x02\xca\x09" + axes))

    assert upright_y.angle_deg == pytest.approx(0.0)
    assert along_z.angle_deg == pytest.approx(90.0)
    assert along_z.acceleration_g == pytest.approx(1.0)


def test_a_single_acceleration_is_the_size_beside_the_rotation() -> None:
    found = fields(decode_bthome("heron", ADDRESS, bytes.fromhex("4002CA093FC201518756")))

    assert found.acceleration_g == pytest.approx(22.151 / 9.80665)


def test_an_encrypted_advertisement_is_read_with_its_key() -> None:
    advertised = decode_bthome("heron", ADDRESS, ENCRYPTED, key=KEY)

    assert advertised.counter == 1
    assert (fields(advertised).angle_deg, fields(advertised).temperature_c) == (45.0, 25.06)


def test_the_official_encrypted_example_opens_with_the_official_key() -> None:
    official = bytes.fromhex("41a47266c95f730011223378237214")  # humidity and temperature: no float, but it opens

    advertised = decode_bthome("heron", ADDRESS, official, key=KEY)

    assert advertised.counter == 857870592
    assert refusal(advertised).detail == "the advertisement has no rotation"


@pytest.mark.parametrize(
    ("data", "key"),
    [
        (ENCRYPTED, bytes(16)),
        (ENCRYPTED[:-1] + b"\x3c", KEY),
        (ENCRYPTED, None),
        (bytes.fromhex("4002CA093FC201"), KEY),
    ],
    ids=["wrong key", "corrupted tag", "no key", "plain although a key is set"],
)
def test_an_advertisement_that_does_not_fit_the_key_gives_nothing(data: bytes, key: bytes | None) -> None:
    assert refusal(decode_bthome("heron", ADDRESS, data, key=key)).reason is Reason.WRONG_KEY


def test_a_replayed_advertisement_is_refused_and_the_counter_kept() -> None:
    advertised = decode_bthome("heron", ADDRESS, ENCRYPTED, key=KEY, last_counter=1)

    assert refusal(advertised).reason is Reason.REPLAYED
    assert advertised.counter == 1


def test_a_replayed_advertisement_names_the_way_out_after_a_change_of_battery() -> None:
    advertised = decode_bthome("heron", ADDRESS, ENCRYPTED, key=KEY, last_counter=7)

    assert "gylewatch float forget-counter heron" in refusal(advertised).detail


def test_a_counter_that_ran_full_may_begin_again() -> None:
    assert decode_bthome("heron", ADDRESS, ENCRYPTED, key=KEY, last_counter=2**32 - 5).counter == 1


@pytest.mark.parametrize("recorded", [2**32 - 1, 2**32 - 5, 2**31 + 2])
def test_what_was_recorded_before_the_counter_ran_full_stays_old(recorded: int) -> None:
    data = encrypted_bthome(ADDRESS, bytes.fromhex("02CA093FC201"), recorded)

    advertised = decode_bthome("heron", ADDRESS, data, key=KEY, last_counter=1)

    assert refusal(advertised).reason is Reason.REPLAYED
    assert advertised.counter == 1


@given(st.binary(max_size=40))
def test_any_service_data_has_a_counter_or_none(data: bytes) -> None:
    counter = counter_of(data)

    assert counter is None or 0 <= counter < 2**32


def test_another_version_is_refused() -> None:
    assert refusal(decode_bthome("heron", ADDRESS, b"\x20\x02\xca\x09")).reason is Reason.UNSUPPORTED_VERSION


@given(st.binary(max_size=60), st.none() | st.just(KEY), st.none() | st.integers(0, 2**32 - 1), st.text(max_size=17))
def test_any_bytes_give_fields_or_a_refusal(
    data: bytes, key: bytes | None, last_counter: int | None, address: str
) -> None:
    assert decode_bthome("heron", address, data, key=key, last_counter=last_counter).found
