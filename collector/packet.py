"""Packet: one raw message with its source and arrival time, and what can become of it.

The way of a packet: `Packet` → decoder → `Fields` or `Refusal` → `collector.admit` → `Reading` or `Rejected`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum

KEPT_PAYLOAD_BYTES = 512
# Enough to see in full what any float sends (a SenML reading has about 150 bytes) and still bounds the table.
_KEPT_NAME_CHARACTERS = 200


class Source(StrEnum):
    MQTT = "mqtt"
    BLE = "ble"
    HTTP = "http"
    REPLAY = "replay"


class Reason(StrEnum):
    """Why a packet, or one time slot of it, was refused."""

    MALFORMED = "malformed"
    UNSUPPORTED_VERSION = "unsupported-version"
    UNKNOWN_FIELD = "unknown-field"
    UNKNOWN_UNIT = "unknown-unit"
    NOT_A_NUMBER = "not-a-number"
    MISSING_FIELD = "missing-field"
    UNKNOWN_FLOAT = "unknown-float"
    UNKNOWN_TOPIC = "unknown-topic"
    OUT_OF_RANGE = "out-of-range"
    RETAINED = "retained"
    IN_THE_FUTURE = "in-the-future"
    TOO_OLD = "too-old"
    WRONG_KEY = "wrong-key"
    REPLAYED = "replayed"
    TOO_FREQUENT = "too-frequent"
    TIME_UNKNOWN = "time-unknown"
    VALUE_LEFT_OUT = "value-left-out"  # of a reading that is kept


@dataclass(frozen=True, slots=True, kw_only=True)
class Packet:
    """One radio, MQTT or HTTP message before it is decoded."""

    source: Source
    origin: str  # topic, hardware address or peer
    payload: bytes
    received: datetime  # aware, UTC
    retained: bool = False
    rssi_dbm: int | None = None
    receiver: str = ""  # name of the broker, where several may use one topic for different things
    waited: bool = False  # perhaps for days, at a broker, while nobody listened

    def __post_init__(self) -> None:
        if self.received.tzinfo is not UTC and self.received.utcoffset() != timedelta(0):
            raise ValueError(f"a packet's arrival must be in UTC, got {self.received.isoformat()}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fields:
    """What one packet says about one moment, in our units, before anyone judged whether it can be true."""

    float_name: str
    time: datetime | None = None  # None: the packet does not say; it is stamped on arrival
    angle_deg: float
    temperature_c: float
    battery_v: float | None = None
    battery_percent: float | None = None
    rssi_dbm: float | None = None
    acceleration_g: float | None = None
    # Of the last four NaN: what was sent is no number. It is left out by admission, and told.


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """What a decoder could not use, and why; `collector.admit` completes it to a `Rejected`."""

    reason: Reason
    detail: str  # one sentence
    float_name: str | None = None
    time: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejected:
    """A refused packet, or a refused time slot of one, as it is counted and kept."""

    received: datetime
    source: Source
    origin: str
    reason: Reason
    detail: str  # one sentence: what is wrong and what to do
    payload: bytes  # the first `KEPT_PAYLOAD_BYTES`
    float_id: str | None = None
    fields: Fields | None = None  # what could be read of it; not kept in storage

    @property
    def reading_is_kept(self) -> bool:
        """Whether only a value was left out of a reading that is kept."""
        return self.reason is Reason.VALUE_LEFT_OUT


def rejected(packet: Packet, refusal: Refusal, fields: Fields | None = None) -> Rejected:
    """`refusal` with the packet it came from, and what could be read of that."""
    return Rejected(
        received=packet.received,
        source=packet.source,
        origin=_storable(packet.origin)[:_KEPT_NAME_CHARACTERS],
        reason=refusal.reason,
        detail=_storable(refusal.detail),
        payload=packet.payload[:KEPT_PAYLOAD_BYTES],
        float_id=refusal.float_name and _storable(refusal.float_name)[:_KEPT_NAME_CHARACTERS],
        fields=fields,
    )


def _storable(text: str) -> str:
    """`text` as a database takes it: neither NUL nor lone surrogates."""
    return text.replace("\x00", "\\x00").encode("utf-8", "backslashreplace").decode()
