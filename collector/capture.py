"""Capture: packets as lines of JSON, for support, and back. What looks like a secret is taken out. Pure.

A line holds time, source, origin, signal and the payload in base64, so that it can be replayed byte for byte.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
from datetime import UTC, datetime
from typing import Final

from collector.packet import Packet, Source
from gylewatch.errors import InputError
from gylewatch.values import utc_text

_SECRET: Final = re.compile(r"pass|secret|token|key|ssid|psk|auth|credential", re.IGNORECASE)
REMOVED: Final = "removed"


def capture_line(packet: Packet) -> str:
    """`packet` as one line without its end. In a JSON payload, values under names such as ``password`` are removed."""
    line = {
        "received": utc_text(packet.received),
        "source": packet.source.value,
        "origin": packet.origin,
        "retained": packet.retained,
        "rssi_dbm": packet.rssi_dbm,
        "receiver": packet.receiver,
        "payload": base64.b64encode(_without_secrets(packet.payload)).decode("ascii"),
    }
    return json.dumps(line, separators=(",", ":"))


def captured_packet(line: str, place: str) -> Packet:
    """The packet in one line of a capture.

    Parameters
    ----------
    line : as `capture_line` made it
    place : file and row, for the message

    Raises
    ------
    InputError
        The line is no captured packet.
    """
    try:
        found = json.loads(line)
        rssi_dbm = found["rssi_dbm"]
        return Packet(
            source=Source(found["source"]),
            origin=str(found["origin"]),
            payload=base64.b64decode(found["payload"], validate=True),
            received=datetime.fromisoformat(found["received"]).astimezone(UTC),
            retained=bool(found["retained"]),
            rssi_dbm=None if rssi_dbm is None else int(rssi_dbm),
            receiver=str(found.get("receiver", "")),
        )
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError, binascii.Error):
        raise InputError(place, "this line is no captured packet; use a file that gylewatch capture wrote") from None


def _without_secrets(payload: bytes) -> bytes:
    try:
        document = json.loads(payload)
        cleaned = _cleaned(document)
        return payload if cleaned == document else json.dumps(cleaned).encode()
    except ValueError:
        return payload
    except RecursionError:  # what cannot be looked through may hold anything
        return json.dumps(f"{REMOVED}: nested too deep").encode()


def _cleaned(value: object) -> object:
    if isinstance(value, dict):
        return {name: REMOVED if _SECRET.search(name) else _cleaned(inner) for name, inner in value.items()}
    if isinstance(value, list):
        return [_cleaned(inner) for inner in value]
    return value
