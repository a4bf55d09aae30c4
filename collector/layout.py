"""The user's field layout for manufacturer or service data of other floats: offset, type, scale and unit. Pure."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import Final

from collector.mapping import UNITS, check_unit
from collector.packet import Fields, Reason, Refusal
from collector.senml_pack import number
from collector.tilt import Axis, acceleration_g, tilt_deg

_TYPES: Final = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "f32": "f", "f64": "d"}


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutField:
    """Where one value stands: value = raw * scale + shift, in `unit`."""

    offset: int  # bytes from the start of the data, behind UUID or company number
    type: str  # u8 i8 u16 i16 u32 i32 f32 f64
    unit: str
    big_endian: bool = False
    scale: float = 1.0
    shift: float = 0.0

    def __post_init__(self) -> None:
        if self.type not in _TYPES:
            raise ValueError(f"type {self.type!r} is not known; write one of {', '.join(_TYPES)}")
        if not 0 <= self.offset <= 250:
            raise ValueError(f"offset {self.offset} is outside 0 to 250, what an advertisement holds")
        if not (math.isfinite(self.scale) and math.isfinite(self.shift)) or self.scale == 0:
            raise ValueError("scale and shift must be numbers, and scale not 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class AdvertLayout:
    """How the advertisements of one kind of float are read.

    Exactly one of `company` and `service` says where the data stand. `starts_with` picks among several kinds of
    advertisement of one sender.
    """

    temperature: LayoutField
    company: int | None = None  # Bluetooth company number of manufacturer data
    service: int | None = None  # 16-bit UUID of service data
    starts_with: bytes = b""
    angle: LayoutField | None = None
    ax: LayoutField | None = None
    ay: LayoutField | None = None
    az: LayoutField | None = None
    long_axis: Axis = Axis.Z
    battery: LayoutField | None = None
    charge: LayoutField | None = None
    packet_id: LayoutField | None = None  # its unit is not looked at

    def __post_init__(self) -> None:
        if (self.company is None) == (self.service is None):
            raise ValueError("a layout needs exactly one of company and service")
        axes = (self.ax, self.ay, self.az)
        if self.angle is None and None in axes:
            raise ValueError("a layout needs angle, or all of ax, ay and az")
        quantities = [("temperature", self.temperature), ("angle", self.angle), ("battery", self.battery)]
        quantities += [("charge", self.charge), *(("acceleration", axis) for axis in axes)]
        for quantity, place in quantities:
            if place is not None:
                check_unit(quantity, place.unit)


def decode_layout(layout: AdvertLayout, float_name: str, data: bytes) -> tuple[Fields | Refusal, int | None]:
    """Read `data` by `layout`; also gives the packet id, where the layout has one. Never raises."""
    temperature_c = _value(data, layout.temperature, "temperature")
    angle_deg, size_g = _value(data, layout.angle, "angle"), None
    x, y, z = (_value(data, axis, "acceleration") for axis in (layout.ax, layout.ay, layout.az))
    if x is not None and y is not None and z is not None:
        size_g = acceleration_g(x, y, z)
        if layout.angle is None and 0 < size_g < math.inf:
            angle_deg = tilt_deg(x, y, z, layout.long_axis)
    packet_id = _raw(data, layout.packet_id)
    identity = None if packet_id is None else int(packet_id)
    if angle_deg is None or temperature_c is None:
        missing = "angle" if angle_deg is None else "temperature"
        detail = f"the advertisement of {len(data)} bytes gives no {missing}; check the layout's offset and type"
        return Refusal(reason=Reason.MISSING_FIELD, detail=detail, float_name=float_name), identity
    fields = Fields(
        float_name=float_name,
        angle_deg=angle_deg,
        temperature_c=temperature_c,
        battery_v=_gauge(data, layout.battery, "battery"),
        battery_percent=_gauge(data, layout.charge, "charge"),
        acceleration_g=size_g,
    )
    return fields, identity


def _raw(data: bytes, place: LayoutField | None) -> float | None:
    if place is None:
        return None
    code = (">" if place.big_endian else "<") + _TYPES[place.type]
    try:
        (raw,) = struct.unpack_from(code, data, place.offset)
    except struct.error:
        return None
    return number(raw)


def _value(data: bytes, place: LayoutField | None, quantity: str) -> float | None:
    raw = _raw(data, place)
    if raw is None or place is None:
        return None
    return number(UNITS[quantity][place.unit](raw * place.scale + place.shift))


def _gauge(data: bytes, place: LayoutField | None, quantity: str) -> float | None:
    """As `_value`; NaN where the advertisement is long enough to hold the value, and it is no number."""
    value = _value(data, place, quantity)
    if value is None and place is not None and place.offset + struct.calcsize(_TYPES[place.type]) <= len(data):
        return math.nan
    return value
