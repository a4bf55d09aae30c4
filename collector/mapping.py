"""The user's mapping of any JSON payload to fields: a JSON Pointer (RFC 6901) and a unit for each field. Pure."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from jsonpointer import JsonPointer, JsonPointerException

from collector.packet import Fields, Reason, Refusal
from collector.senml_pack import MAX_PACK_BYTES, number
from collector.tilt import STANDARD_GRAVITY_M_S2, Axis, acceleration_g, tilt_deg
from collector.topics import filter_problem
from gylewatch.values import check_name

Convert = Callable[[float], float]

UNITS: Final[Mapping[str, Mapping[str, Convert]]] = {
    "angle": {"deg": float, "rad": math.degrees},
    "acceleration": {
        "m/s2": float,
        "g": lambda g: g * STANDARD_GRAVITY_M_S2,
        "mg": lambda mg: mg * STANDARD_GRAVITY_M_S2 / 1000.0,
    },
    "temperature": {"Cel": float, "F": lambda f: (f - 32.0) / 1.8, "K": lambda k: k - 273.15},
    "battery": {"V": float, "mV": lambda mv: mv / 1000.0},
    "charge": {"%": float, "/": lambda ratio: ratio * 100.0},
    "rssi": {"dBm": float},
    "time": {"s": float, "ms": lambda ms: ms / 1000.0, "iso": float},
}


def check_unit(quantity: str, unit: str) -> None:
    """Raise `ValueError`, with the units that may be written, unless `unit` is one of `quantity`."""
    if unit not in UNITS[quantity]:
        raise ValueError(f"unit {unit!r} is not known for {quantity}; write one of {', '.join(UNITS[quantity])}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where one value stands in the payload, and in which unit."""

    pointer: str  # RFC 6901, e.g. /sensors/0/tilt
    unit: str

    def __post_init__(self) -> None:
        _check_pointer(self.pointer)


def _check_pointer(pointer: str) -> None:
    try:
        JsonPointer(pointer)
    except JsonPointerException:
        raise ValueError(f"{pointer!r} is not a JSON Pointer; write it like /sensors/0/tilt (RFC 6901)") from None


@dataclass(frozen=True, slots=True, kw_only=True)
class JsonMapping:
    """How the payloads on one topic are read.

    The float is named by exactly one of `float_name` (fixed), `float_level` (the topic's level, counted from 0) and
    `float_pointer` (a text in the payload). The angle comes from `angle` or from all of `ax`, `ay` and `az`.
    """

    topic: str  # subscription filter, may hold + and #
    temperature: Place
    float_name: str | None = None
    float_level: int | None = None
    float_pointer: str | None = None
    angle: Place | None = None
    ax: Place | None = None
    ay: Place | None = None
    az: Place | None = None
    long_axis: Axis = Axis.Z
    battery: Place | None = None
    charge: Place | None = None
    rssi: Place | None = None
    time: Place | None = None

    def __post_init__(self) -> None:
        problem = filter_problem(self.topic)
        if problem is not None:  # one such topic would cost all others of its broker
            raise ValueError(f"topic {self.topic[:80]!r} {problem}")
        if sum(way is not None for way in (self.float_name, self.float_level, self.float_pointer)) != 1:
            raise ValueError("name the float by exactly one of float_name, float_level and float_pointer")
        if self.float_name is not None:
            check_name("float", self.float_name)
        if self.float_pointer is not None:
            _check_pointer(self.float_pointer)
        levels = self.topic.split("/")
        if self.float_level is not None and self.float_level >= len(levels) and levels[-1] != "#":
            last = len(levels) - 1
            raise ValueError(f"float_level {self.float_level}: topic {self.topic[:80]!r} has the levels 0 to {last}")
        axes = (self.ax, self.ay, self.az)
        if self.angle is None and None in axes:
            raise ValueError("a mapping needs angle, or all of ax, ay and az")
        for quantity, place in (
            ("angle", self.angle), ("temperature", self.temperature), ("battery", self.battery),
            ("charge", self.charge), ("rssi", self.rssi), ("time", self.time),
            *(("acceleration", axis) for axis in axes),
        ):  # fmt: skip
            if place is not None:
                check_unit(quantity, place.unit)


class _Unusable(Exception):
    def __init__(self, reason: Reason, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail


def decode_json(mapping: JsonMapping, topic: str, payload: bytes) -> Fields | Refusal:
    """Read one JSON payload by the user's mapping.

    Returns
    -------
    The fields, or the refusal that names the pointer at fault. A missing battery, charge or signal (null, too) is left
    out: other people's payloads drop such fields at will. One that is no number is NaN. Never raises.
    """
    name: str | None = None
    try:
        document = _load(payload)
        name = _float_name(mapping, topic, document)
        return _fields(mapping, name, document)
    except _Unusable as unusable:
        return Refusal(reason=unusable.reason, detail=unusable.detail, float_name=name)


def decode_values(
    payload: bytes, places: Mapping[str, Place], time: Place | None
) -> tuple[datetime | None, dict[str, float]] | Refusal:
    """Read quantities of one JSON payload, all of them needed, and its time; or why that cannot be. Never raises."""
    try:
        document = _load(payload)
        values = {quantity: _needed(document, place, quantity) for quantity, place in places.items()}
        return _time(document, time), values
    except _Unusable as unusable:
        return Refusal(reason=unusable.reason, detail=unusable.detail)


def _load(payload: bytes) -> object:
    if len(payload) > MAX_PACK_BYTES:
        raise _Unusable(Reason.MALFORMED, f"the payload is longer than the {MAX_PACK_BYTES} bytes that are read")
    try:
        return json.loads(payload.decode("utf-8"))
    except (ValueError, RecursionError):
        raise _Unusable(Reason.MALFORMED, "the payload is not JSON") from None


def _float_name(mapping: JsonMapping, topic: str, document: object) -> str:
    if mapping.float_name is not None:
        return mapping.float_name
    if mapping.float_level is not None:
        levels = topic.split("/")
        if not 0 <= mapping.float_level < len(levels):
            raise _Unusable(Reason.MISSING_FIELD, f"the topic has no level {mapping.float_level} to name the float")
        return levels[mapping.float_level]
    name = _find(document, mapping.float_pointer or "")
    if not isinstance(name, str) or not name:
        raise _Unusable(Reason.MISSING_FIELD, f"there is no float's name at {mapping.float_pointer}")
    return name


def _fields(mapping: JsonMapping, name: str, document: object) -> Fields:
    angle_deg, size_g = None, None
    if mapping.ax is not None and mapping.ay is not None and mapping.az is not None:
        axes = [_needed(document, axis, "acceleration") for axis in (mapping.ax, mapping.ay, mapping.az)]
        size_g = acceleration_g(*axes)
        if mapping.angle is None:
            if not 0 < size_g < math.inf:
                raise _Unusable(Reason.OUT_OF_RANGE, "the three axes show no gravity, so there is no angle")
            angle_deg = tilt_deg(axes[0], axes[1], axes[2], mapping.long_axis)
    if mapping.angle is not None:
        angle_deg = _needed(document, mapping.angle, "angle")
    assert angle_deg is not None  # noqa: S101 - the mapping's own check
    return Fields(
        float_name=name,
        time=_time(document, mapping.time),
        angle_deg=angle_deg,
        temperature_c=_needed(document, mapping.temperature, "temperature"),
        battery_v=_optional(document, mapping.battery, "battery"),
        battery_percent=_optional(document, mapping.charge, "charge"),
        rssi_dbm=_optional(document, mapping.rssi, "rssi"),
        acceleration_g=size_g,
    )


def _find(document: object, pointer: str) -> object:
    try:
        return JsonPointer(pointer).resolve(document, None)
    except (JsonPointerException, TypeError, ValueError):
        return None


def _needed(document: object, place: Place, quantity: str) -> float:
    found = _find(document, place.pointer)
    if found is None:
        raise _Unusable(Reason.MISSING_FIELD, f"there is no {quantity} at {place.pointer}")
    value = _converted(found, place.unit, quantity)
    if value is None:
        raise _Unusable(Reason.NOT_A_NUMBER, f"the {quantity} at {place.pointer} is not a number")
    return value


def _optional(document: object, place: Place | None, quantity: str) -> float | None:
    found = None if place is None else _find(document, place.pointer)
    if place is None or found is None:
        return None
    value = _converted(found, place.unit, quantity)
    return math.nan if value is None else value


def _converted(found: object, unit: str, quantity: str) -> float | None:
    if isinstance(found, str):  # many senders write numbers as text
        try:
            found = float(found)
        except ValueError:
            return None
    value = number(found)
    return None if value is None else number(UNITS[quantity][unit](value))


def _time(document: object, place: Place | None) -> datetime | None:
    if place is None:
        return None
    found = _find(document, place.pointer)
    if found is None:
        return None
    try:
        if place.unit == "iso":
            moment = datetime.fromisoformat(found) if isinstance(found, str) else None
            if moment is not None and moment.tzinfo is not None:
                return moment.astimezone(UTC)
        else:
            seconds = _converted(found, place.unit, "time")
            if seconds is not None:
                return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    except (ValueError, OverflowError):
        pass
    raise _Unusable(Reason.MALFORMED, f"the time at {place.pointer} is no usable time; iso times need their zone")
