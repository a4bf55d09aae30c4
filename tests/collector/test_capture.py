"""Recording raw packets for support."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.capture import capture_line, captured_packet
from collector.packet import Packet, Source
from gylewatch.errors import InputError

packets = st.builds(
    Packet,
    source=st.sampled_from(Source),
    origin=st.text(max_size=40),
    payload=st.binary(max_size=80),
    received=st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
    retained=st.booleans(),
    rssi_dbm=st.none() | st.integers(-127, 20),
    receiver=st.text(max_size=10),
)


@given(packets)
def test_a_packet_comes_back_as_it_was(packet: Packet) -> None:
    line = capture_line(packet)

    assert "\n" not in line
    assert captured_packet(line, "capture row 1") == packet


def test_secrets_in_a_json_payload_are_taken_out_and_the_measurements_stay() -> None:
    payload = b'{"tilt": 41.5, "wifi": [{"ssid": "cellar", "Password": "hops"}], "api_token": "abc"}'
    packet = Packet(
        source=Source.MQTT, origin="cellar/wren", payload=payload, received=datetime(2026, 3, 2, tzinfo=UTC)
    )

    kept = captured_packet(capture_line(packet), "capture row 1").payload

    assert b"41.5" in kept
    assert not any(secret in kept for secret in (b"hops", b"abc", b'"cellar"'))


@pytest.mark.parametrize("line", ["", "{}", "[1]", '{"received": 1}', "null"])
def test_a_line_that_is_no_packet_is_refused_with_its_place(line: str) -> None:
    with pytest.raises(InputError, match="capture row 7"):
        captured_packet(line, "capture row 7")


@pytest.mark.parametrize("depth", [100, 700, 5000])
def test_a_payload_nested_deep_is_captured_without_its_secret(depth: int) -> None:
    payload = b'{"a":' * depth + b'{"password":"hops"}' + b"}" * depth
    packet = Packet(source=Source.MQTT, origin="x", payload=payload, received=datetime(2026, 3, 2, tzinfo=UTC))

    kept = captured_packet(capture_line(packet), "x row 1").payload

    assert b"removed" in kept
    assert b"hops" not in kept
