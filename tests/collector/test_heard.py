"""What unknown floats say, before anyone judged it."""

from __future__ import annotations

import json
from datetime import UTC, datetime

from collector.decode import read_packet
from collector.heard import HeardFloat, note
from collector.packet import Packet, Rejected, Source
from collector.topics import readings_topic

NOW = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)


def heard_after(rssi_dbm: float, battery_v: float) -> HeardFloat:
    pack = [
        {"n": "angle", "u": "deg", "v": 30},
        {"n": "temperature", "u": "Cel", "v": 20},
        {"n": "rssi", "u": "dBm", "v": rssi_dbm},
        {"n": "battery", "u": "V", "v": battery_v},
    ]
    payload = json.dumps(pack).encode()
    packet = Packet(source=Source.MQTT, origin=readings_topic("ghost"), payload=payload, received=NOW)
    (refused,) = read_packet(packet, now=NOW, known=frozenset())
    assert isinstance(refused, Rejected)
    return note({}, packet, refused)["ghost"]


def test_signal_and_battery_of_an_unknown_float_are_kept() -> None:
    heard = heard_after(-71, 3.7)

    assert (heard.rssi_dbm, heard.battery_v) == (-71, 3.7)


def test_signal_and_battery_that_cannot_be_true_are_left_out_and_the_float_is_still_listed() -> None:
    heard = heard_after(1e30, 1e30)

    assert (heard.rssi_dbm, heard.battery_v) == (None, None)
    assert (heard.angle_deg, heard.packets) == (30.0, 1)
