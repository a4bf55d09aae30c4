"""BTHome v2 service data (UUID 0xFCD2), plain or encrypted, to fields. Pure; the replay counter is passed in and out.

Source of the layout: BTHome v2, bthome.io/format and bthome.io/encryption; the tests check every object of the table
against bthome-ble 3.25.0. Encryption: AES-CCM (NIST SP 800-38C) with a 128-bit key and a 4-byte tag; the nonce is
address, D2 FC, device information byte and counter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, NamedTuple

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESCCM

from collector.packet import Fields, Reason, Refusal
from collector.tilt import Axis, acceleration_g, tilt_deg

SERVICE_UUID: Final = 0xFCD2
KEY_BYTES: Final = 16
_COUNTER_BYTES: Final = 4
_TAG_BYTES: Final = 4
_VERSION: Final = 2
_COUNTERS: Final = 2 ** (8 * _COUNTER_BYTES)


class _Kind(NamedTuple):
    name: str
    size: int  # bytes, little-endian
    signed: bool
    divisor: float  # dividing by 100 keeps 25.06 exact where multiplying by 0.01 does not


_USED: Final[Mapping[int, _Kind]] = {
    0x00: _Kind("packet_id", 1, False, 1),
    0x01: _Kind("battery_percent", 1, False, 1),
    0x02: _Kind("temperature_c", 2, True, 100),
    0x45: _Kind("temperature_c", 2, True, 10),
    0x57: _Kind("temperature_c", 1, True, 1),
    0x58: _Kind("temperature_c", 1, True, 1 / 0.35),
    0x0C: _Kind("battery_v", 2, False, 1000),
    0x4A: _Kind("battery_v", 2, False, 10),
    0x3F: _Kind("rotation_deg", 2, True, 10),
    0x51: _Kind("acceleration_m_s2", 2, False, 1000),
    0x63: _Kind("axis_m_s2", 4, True, 1e6),
}
# Every other object only by its length, so that it can be stepped over.
_SIZES: Final[Mapping[int, int]] = {
    **dict.fromkeys(
        (0x09, *range(0x0F, 0x12), *range(0x15, 0x30), 0x3A, 0x46, 0x59, 0x60, 0x64, 0x65), 1
    ),
    **dict.fromkeys(
        (0x03, 0x06, 0x07, 0x08, 0x0D, 0x0E, 0x12, 0x13, 0x14, 0x3C, 0x3D, 0x40, 0x41, 0x43, 0x44, 0x47, 0x48, 0x49,
         0x52, 0x56, 0x5A, 0x5D, 0x5E, 0x5F, 0x61, 0xF0), 2
    ),
    **dict.fromkeys((0x04, 0x05, 0x0A, 0x0B, 0x42, 0x4B, 0xF2), 3),
    **dict.fromkeys((0x3E, *range(0x4C, 0x51), 0x55, 0x5B, 0x5C, 0x62, 0xF1), 4),
    **{number: kind.size for number, kind in _USED.items()},
}  # fmt: skip
_COUNTED: Final = frozenset({0x53, 0x54})  # text and raw: the next byte tells the length


@dataclass(frozen=True, slots=True, kw_only=True)
class Advertised:
    """What one advertisement says. `counter` is to be passed in as `last_counter` the next time."""

    found: Fields | Refusal
    packet_id: int | None = None
    counter: int | None = None


def bthome_objects(body: bytes) -> tuple[tuple[str, float], ...]:
    """The measurements in the unencrypted `body`, after the device information byte, in order.

    An unknown object, or one that is cut off, ends the parse with what is known so far: its length cannot be known.
    """
    found: list[tuple[str, float]] = []
    at = 0
    while at < len(body):
        number = body[at]
        at += 1
        if number in _COUNTED and at < len(body):
            size = 1 + body[at]
        elif number in _SIZES:
            size = _SIZES[number]
        else:
            break
        raw = body[at : at + size]
        if len(raw) < size:
            break
        at += size
        kind = _USED.get(number)
        if kind is not None:
            found.append((kind.name, int.from_bytes(raw, "little", signed=kind.signed) / kind.divisor))
    return tuple(found)


@lru_cache(maxsize=256)
def _cipher(key: bytes) -> AESCCM:
    return AESCCM(key, tag_length=_TAG_BYTES)


def decode_bthome(
    float_name: str,
    address: str,
    service_data: bytes,
    *,
    key: bytes | None = None,
    last_counter: int | None = None,
    long_axis: Axis = Axis.Z,
) -> Advertised:
    """Read one BTHome v2 advertisement.

    Parameters
    ----------
    float_name : whom the address belongs to
    address : hardware address, ``C0:FF:EE:00:00:01``; part of the nonce
    service_data : of UUID 0xFCD2, from the device information byte on
    key : 16 bytes where this float encrypts; its plain advertisements are then refused, for anyone could send them
    last_counter : of this float's last good encrypted advertisement; None: none was heard
    long_axis : the axis along the float, for three signed accelerations (object 0x63)

    Returns
    -------
    Fields or refusal. The rotation is taken without its sign: from vertical there is none. A single acceleration is
    |a|; three signed ones are the axes x, y, z and give the angle where no rotation is sent. Never raises.
    """

    opened = _open(float_name, address, service_data, key, last_counter)
    if isinstance(opened, Refusal):
        return Advertised(found=replace(opened, float_name=float_name), counter=last_counter)
    return _advertised(float_name, opened[0], opened[1], long_axis)


def _open(
    float_name: str, address: str, service_data: bytes, key: bytes | None, last_counter: int | None
) -> tuple[bytes, int | None] | Refusal:
    """The unencrypted objects, and the counter that is now the last."""
    if not service_data or service_data[0] >> 5 != _VERSION:
        return Refusal(reason=Reason.UNSUPPORTED_VERSION, detail="the advertisement is not BTHome version 2")
    encrypted = bool(service_data[0] & 0x01)
    if encrypted and key is not None:
        return _decrypt(float_name, address, service_data, key, last_counter)
    if encrypted:
        return Refusal(reason=Reason.WRONG_KEY, detail="the advertisement is encrypted; give this float's key")
    if key is not None:
        return Refusal(
            reason=Reason.WRONG_KEY,
            detail="this float has a key but the advertisement is not encrypted: a forgery, or remove the key",
        )
    return service_data[1:], last_counter


def _decrypt(
    float_name: str, address: str, service_data: bytes, key: bytes, last_counter: int | None
) -> tuple[bytes, int] | Refusal:
    tail = len(service_data) - _COUNTER_BYTES - _TAG_BYTES
    if tail < 1:
        return Refusal(reason=Reason.MALFORMED, detail="the encrypted advertisement is too short")
    counter_bytes = service_data[tail : tail + _COUNTER_BYTES]
    try:
        nonce = bytes.fromhex(address.replace(":", "")) + b"\xd2\xfc" + service_data[:1] + counter_bytes
        body = _cipher(key).decrypt(nonce, service_data[1:tail] + service_data[-_TAG_BYTES:], None)
    except (InvalidTag, ValueError):
        return Refusal(
            reason=Reason.WRONG_KEY, detail="the advertisement does not fit this float's key; check key and address"
        )
    counter = int.from_bytes(counter_bytes, "little")
    if last_counter is not None and not _is_newer(counter, last_counter):
        detail = (
            f"the counter {counter} does not follow {last_counter}: a recording; or, if the float's battery was "
            f"changed: gylewatch float forget-counter {float_name}"
        )
        return Refusal(reason=Reason.REPLAYED, detail=detail)
    return body, counter


def _is_newer(counter: int, last: int) -> bool:
    """Whether `counter` comes after `last`, also where it ran full in between and began again from zero.

    Source: serial number arithmetic, RFC 1982, section 3.2. What was recorded before it ran full stays old.
    """
    return 0 < (counter - last) % _COUNTERS < _COUNTERS // 2


def counter_of(service_data: bytes) -> int | None:
    """The counter that an encrypted advertisement carries, unchecked; None for a plain one."""
    if len(service_data) <= _COUNTER_BYTES + _TAG_BYTES or not service_data[0] & 0x01:
        return None
    return int.from_bytes(service_data[-_COUNTER_BYTES - _TAG_BYTES : -_TAG_BYTES], "little")


def _advertised(float_name: str, body: bytes, counter: int | None, long_axis: Axis) -> Advertised:
    values: dict[str, float] = {}
    axes: list[float] = []
    for name, value in bthome_objects(body):
        if name == "axis_m_s2":
            axes.append(value)
        values.setdefault(name, value)
    packet_id = int(values["packet_id"]) if "packet_id" in values else None
    angle_deg, size_g = None, None
    if len(axes) == 3:
        size_g = acceleration_g(axes[0], axes[1], axes[2])
        angle_deg = tilt_deg(axes[0], axes[1], axes[2], long_axis) if size_g > 0 else None
    elif "acceleration_m_s2" in values:
        size_g = acceleration_g(values["acceleration_m_s2"], 0.0, 0.0)
    if "rotation_deg" in values:
        angle_deg = abs(values["rotation_deg"])
    temperature_c = values.get("temperature_c")
    found: Fields | Refusal
    if angle_deg is None or temperature_c is None:
        missing = "rotation" if angle_deg is None else "temperature"
        found = Refusal(
            reason=Reason.MISSING_FIELD, detail=f"the advertisement has no {missing}", float_name=float_name
        )
    else:
        found = Fields(
            float_name=float_name,
            angle_deg=angle_deg,
            temperature_c=temperature_c,
            battery_v=values.get("battery_v"),
            battery_percent=values.get("battery_percent"),
            acceleration_g=size_g,
        )
    return Advertised(found=found, packet_id=packet_id, counter=counter)
