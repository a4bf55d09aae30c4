"""Advertisements: how they are kept as packets, who sent them, and what they say. Pure; state is passed in and out.

A packet's payload is the advertisement's own structures (Bluetooth Core Specification Supplement, part A: length,
type, data), so that a recording can be read by anything that knows Bluetooth.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Final

from collector.bthome import KEY_BYTES, SERVICE_UUID, counter_of, decode_bthome
from collector.layout import AdvertLayout, decode_layout
from collector.packet import Fields, Packet, Refusal
from collector.tilt import Axis

_SERVICE_DATA_16: Final = 0x16
_MANUFACTURER_DATA: Final = 0xFF
_LONGEST: Final = 252  # of the data: length and type fit into one byte each

SAME_AGAIN = timedelta(seconds=60)
# An advertisement without packet id that says the same again is an echo for this long; after that the float lies still
# and says so. One reading a minute is far more than a fermentation needs.
MOST_SENDERS = 1000
# Senders remembered: a cellar has tens. Phones change their address every few minutes and would fill the memory.


@dataclass(frozen=True, slots=True, kw_only=True)
class BleFloat:
    """A float that the user has adopted, by its hardware address."""

    name: str
    key: bytes | None = field(default=None, repr=False)
    long_axis: Axis = Axis.Z
    counter: int | None = None  # of its last encrypted advertisement, as it was saved

    def __post_init__(self) -> None:
        if self.key is not None and len(self.key) != KEY_BYTES:
            raise ValueError(f"the key of {self.name} must have 32 hex digits")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sender:
    """What is remembered of one address from one advertisement to the next."""

    heard: datetime
    counter: int | None = None
    saved: int | None = None  # the counter that was saved when it was last heard
    packet_id: int | None = None
    payload: bytes = b""  # of the last that was read
    refused: bytes = b""  # and of the last that was refused


@dataclass(frozen=True, slots=True, kw_only=True)
class BleDecoding:
    """What the user set about advertisements."""

    floats: Mapping[str, BleFloat] = field(
        default_factory=lambda: MappingProxyType({})
    )  # by address, upper case with colons
    layouts: tuple[AdvertLayout, ...] = ()


def encode_advert(service_data: Mapping[int, bytes], manufacturer_data: Mapping[int, bytes]) -> bytes:
    """The structures of one advertisement, by 16-bit service UUID and by company number."""
    parts = [(_SERVICE_DATA_16, number, data) for number, data in service_data.items()]
    parts += [(_MANUFACTURER_DATA, number, data) for number, data in manufacturer_data.items()]
    return b"".join(
        bytes([len(data) + 3, kind]) + number.to_bytes(2, "little") + data
        for kind, number, data in parts
        if len(data) <= _LONGEST
    )


def decode_advert(payload: bytes) -> tuple[dict[int, bytes], dict[int, bytes]]:
    """Service data and manufacturer data in `payload`; what is cut off or of another kind is left out."""
    service: dict[int, bytes] = {}
    manufacturer: dict[int, bytes] = {}
    at = 0
    while at < len(payload):
        end = at + 1 + payload[at]
        if payload[at] >= 3 and end <= len(payload):
            number = int.from_bytes(payload[at + 2 : at + 4], "little")
            if payload[at + 1] == _SERVICE_DATA_16:
                service[number] = payload[at + 4 : end]
            elif payload[at + 1] == _MANUFACTURER_DATA:
                manufacturer[number] = payload[at + 4 : end]
        at = end
    return service, manufacturer


def decode_heard(
    decoding: BleDecoding, senders: Mapping[str, Sender], packet: Packet
) -> tuple[Mapping[str, Sender], Fields | Refusal | None]:
    """Read one advertisement.

    Parameters
    ----------
    senders : what is remembered, by address; starts empty
    packet : its origin is the hardware address

    Returns
    -------
    What is to be remembered, and the fields or refusal; None for what is no news (an echo, or another device of the
    neighbourhood). A float that nobody adopted is named by its address, so that admission refuses and lists it.
    """
    address = packet.origin.upper()
    adopted = decoding.floats.get(address)
    before = senders.get(address)
    if before is not None and _is_echo(before, packet):
        return senders, None
    found, packet_id, counter = _read(decoding, adopted, address, before, packet.payload)
    if found is None or (adopted is None and isinstance(found, Refusal)):
        return senders, None
    if isinstance(found, Refusal):
        # What was refused must not make the float's true advertisements look old or new.
        remembered = replace(before or Sender(heard=packet.received), heard=packet.received, refused=packet.payload)
        return _remember(senders, address, remembered), found
    again = before is not None and packet_id is not None and packet_id == before.packet_id
    remembered = Sender(
        heard=packet.received,
        counter=counter,
        saved=adopted.counter if adopted is not None else None,
        packet_id=packet_id,
        payload=packet.payload,
    )
    return _remember(senders, address, remembered), None if again else found


def _is_echo(before: Sender, packet: Packet) -> bool:
    if packet.payload not in (before.payload, before.refused):
        return False
    if before.counter is not None and packet.payload == before.payload:  # an encrypted one is never sent anew
        return True
    return packet.received - before.heard < SAME_AGAIN


def _read(
    decoding: BleDecoding, adopted: BleFloat | None, address: str, before: Sender | None, payload: bytes
) -> tuple[Fields | Refusal | None, int | None, int | None]:
    name = adopted.name if adopted is not None else address
    counter = _last_counter(adopted, before)
    service, manufacturer = decode_advert(payload)
    for layout in decoding.layouts:
        data = service.get(layout.service, None) if layout.service is not None else None
        if layout.company is not None:
            data = manufacturer.get(layout.company)
        if data is not None and data.startswith(layout.starts_with):
            found, packet_id = decode_layout(layout, name, data)
            return found, packet_id, counter
    if SERVICE_UUID in service:
        if before is None and counter is not None and counter_of(service[SERVICE_UUID]) == counter:
            return None, None, counter  # the last one from before a restart; the Bluetooth service keeps it
        advertised = decode_bthome(
            name,
            address,
            service[SERVICE_UUID],
            key=adopted.key if adopted is not None else None,
            last_counter=counter,
            long_axis=adopted.long_axis if adopted is not None else Axis.Z,
        )
        return advertised.found, advertised.packet_id, advertised.counter
    return None, None, counter


def _last_counter(adopted: BleFloat | None, before: Sender | None) -> int | None:
    saved = adopted.counter if adopted is not None else None
    if before is None or before.counter is None:
        return saved
    if saved is None and before.saved is not None:
        return None  # the user had it forgotten
    return before.counter


def unsaved_counters(decoding: BleDecoding, senders: Mapping[str, Sender]) -> Mapping[str, int]:
    """By the names of the adopted floats: counters that have moved since they were saved."""
    last = {each.name: (_last_counter(each, senders.get(address)), each) for address, each in decoding.floats.items()}
    return {name: counter for name, (counter, each) in last.items() if counter not in (None, each.counter)}


def _remember(senders: Mapping[str, Sender], address: str, sender: Sender) -> Mapping[str, Sender]:
    kept = {known: value for known, value in senders.items() if known != address}
    if len(kept) >= MOST_SENDERS:
        del kept[next(iter(kept))]  # the one not heard for longest
    kept[address] = sender
    return kept
