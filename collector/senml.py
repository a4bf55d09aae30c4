"""SenML readings of a float (RFC 8428 and the contract's record names), JSON or CBOR, to fields and back. Pure.

Record names: ``angle`` (rad, deg), ``temperature`` (Cel, K), ``battery`` (V, %EL), ``rssi`` (dBm), and ``ax`` ``ay``
``az`` (m/s2) in place of ``angle``. The base name may carry a device name; the topic's float counts.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

import cbor2

from collector.packet import Fields, Reason, Refusal
from collector.senml_pack import Record, resolve_pack
from collector.tilt import STANDARD_GRAVITY_M_S2, Axis, acceleration_g, tilt_deg
from gylewatch.values import Reading

ZERO_CELSIUS_K = 273.15

# (record name, unit): our field and the conversion. Units: RFC 8428, section 12.1; dBm: RFC 8798, section 3.
_QUANTITIES: Final[Mapping[tuple[str, str], tuple[str, Callable[[float], float]]]] = {
    ("angle", "rad"): ("angle_deg", math.degrees),
    ("angle", "deg"): ("angle_deg", float),
    ("temperature", "Cel"): ("temperature_c", float),
    ("temperature", "K"): ("temperature_c", lambda kelvin: kelvin - ZERO_CELSIUS_K),
    ("battery", "V"): ("battery_v", float),
    ("battery", "%EL"): ("battery_percent", float),
    ("rssi", "dBm"): ("rssi_dbm", float),
    ("ax", "m/s2"): ("ax_m_s2", float),
    ("ay", "m/s2"): ("ay_m_s2", float),
    ("az", "m/s2"): ("az_m_s2", float),
}
_NAMES: Final = {name: [unit for known, unit in _QUANTITIES if known == name] for name, _ in _QUANTITIES}
_OPTIONAL: Final = frozenset({"battery", "rssi"})
_SHOWN_NAMES, _SHOWN_LENGTH = 3, 40  # of the names that a refusal repeats
_LABELS: Final = {"bn": -2, "bt": -3, "n": 0, "u": 1, "v": 2, "t": 6}  # RFC 8428, section 6, table 4


@dataclass(slots=True)
class _Slot:
    values: dict[str, float] = field(default_factory=dict)
    spoilt: Refusal | None = None  # a record without which the slot cannot be believed


def _nothing_known(strange: Sequence[str]) -> str:
    found = ", ".join(repr(name[:_SHOWN_LENGTH]) for name in strange)
    return (
        "the SenML pack names no angle and no temperature"
        + (f" but {found}" if found else "")
        + "; its records are called angle and temperature"
    )


def decode_senml(
    float_name: str, payload: bytes, received: datetime, *, long_axis: Axis = Axis.Z
) -> tuple[Fields | Refusal, ...]:
    """Read one SenML pack of one float.

    Parameters
    ----------
    float_name : whom the topic or address names
    payload : SenML JSON or SenML CBOR
    received : aware, UTC; relative times count from it
    long_axis : for ``ax ay az``: the axis along the float (see `collector.tilt`)

    Returns
    -------
    One `Fields` for each time slot, in order of first mention; a `Refusal` for each slot that misses its angle or
    temperature or holds a value that cannot be used. An unusable battery or signal costs only itself: its refusal
    stands beside the slot's `Fields`. Never raises.
    """
    slots: dict[datetime | None, _Slot] = {}
    strays: list[Refusal] = []
    strange: list[str] = []
    for record in resolve_pack(payload, received):
        if isinstance(record, Refusal):
            strays.append(record)
            continue
        name = record.own_name
        if name not in _NAMES:
            name = _tail(name)
            if name not in _NAMES:
                if len(strange) < _SHOWN_NAMES and record.own_name not in strange:
                    strange.append(record.own_name)
                continue
        slot = slots.get(record.time)
        if slot is None:
            slot = slots[record.time] = _Slot()
        refusal = _put(slot.values, name, record)
        if refusal is None:
            continue
        if name in _OPTIONAL:
            strays.append(refusal)
        else:
            slot.spoilt = slot.spoilt or refusal
    if not slots and not strays:
        strays.append(Refusal(reason=Reason.MISSING_FIELD, detail=_nothing_known(strange)))
    found = [_fields(float_name, time, slot, long_axis) for time, slot in slots.items()]
    if strays:
        found += [
            Refusal(reason=stray.reason, detail=stray.detail, float_name=float_name, time=stray.time)
            for stray in strays
        ]
    return tuple(found)


def _tail(name: str) -> str:
    # With a base name like "urn:dev:mac:0024befffe804ff1:" the own name is bare; a record without one ends in it.
    return name.replace("/", ":").rsplit(":", 1)[-1]


def _put(values: dict[str, float], name: str, record: Record) -> Refusal | None:
    _, _, unit, time, value = record
    if value is None:
        return Refusal(reason=Reason.NOT_A_NUMBER, detail=f"{name} is not a number", time=time)
    known = _QUANTITIES.get((name, unit or ""))
    if known is None:
        wanted = " or ".join(_NAMES[name])
        had = f"the unit {unit[:20]!r}" if unit else "no unit"
        return Refusal(reason=Reason.UNKNOWN_UNIT, detail=f"{name} has {had}; send it in {wanted}", time=time)
    field_name, convert = known
    value = convert(value)
    if not math.isfinite(value):
        return Refusal(reason=Reason.NOT_A_NUMBER, detail=f"{name} is too large to be a number", time=time)
    if values.setdefault(field_name, value) != value:
        return Refusal(
            reason=Reason.MALFORMED, detail=f"{name} stands twice with different values at one time", time=time
        )
    return None


def _fields(float_name: str, time: datetime | None, slot: _Slot, long_axis: Axis) -> Fields | Refusal:
    if slot.spoilt is not None:
        return Refusal(
            reason=slot.spoilt.reason, detail=slot.spoilt.detail, float_name=float_name, time=slot.spoilt.time
        )
    values = slot.values
    angle_deg, size_g = values.get("angle_deg"), None
    if "ax_m_s2" in values and "ay_m_s2" in values and "az_m_s2" in values:
        axes = (values["ax_m_s2"], values["ay_m_s2"], values["az_m_s2"])
        size_g = acceleration_g(*axes)
        if angle_deg is None and 0 < size_g < math.inf:
            angle_deg = tilt_deg(*axes, long_axis)
    temperature_c = values.get("temperature_c")
    if angle_deg is None or temperature_c is None:
        missing = " and ".join(
            name for name, value in (("angle", angle_deg), ("temperature", temperature_c)) if value is None
        )
        return Refusal(
            reason=Reason.MISSING_FIELD,
            detail=f"the reading has no {missing}; both are needed at each time",
            float_name=float_name,
            time=time,
        )
    rssi_dbm = values.get("rssi_dbm")
    return Fields(
        float_name=float_name,
        time=time,
        angle_deg=angle_deg,
        temperature_c=temperature_c,
        battery_v=values.get("battery_v"),
        battery_percent=values.get("battery_percent"),
        rssi_dbm=None if rssi_dbm is None else round(rssi_dbm),
        acceleration_g=size_g,
    )


def encode_senml_json(readings: Sequence[Reading], *, timeless: bool = False) -> bytes:
    """Readings of one float as one SenML JSON pack, as a float would send it.

    Parameters
    ----------
    readings : at least one, all of one float
    timeless : leave the time out, so that the pack is stamped on arrival; for a single reading

    Raises
    ------
    ValueError
        No reading, readings of several floats, or several readings without time.
    """
    return json.dumps(_pack(readings, timeless), separators=(",", ":")).encode()


def encode_senml_cbor(readings: Sequence[Reading], *, timeless: bool = False) -> bytes:
    """As `encode_senml_json`, in CBOR."""
    return cbor2.dumps(
        [{_LABELS[label]: value for label, value in record.items()} for record in _pack(readings, timeless)]
    )


def _pack(readings: Sequence[Reading], timeless: bool) -> list[dict[str, object]]:
    if len({reading.float_id for reading in readings}) != 1 or (timeless and len(readings) != 1):
        raise ValueError("a pack holds readings of exactly one float, and only one of them without time")
    start_s = readings[0].time.timestamp()
    records: list[dict[str, object]] = []
    for reading in readings:
        offset_s = round(reading.time.timestamp() - start_s, 6)
        for name, unit, value in _records(reading):
            record: dict[str, object] = {"n": name, "u": unit, "v": value}
            if offset_s and not timeless:
                record["t"] = offset_s
            records.append(record)
    base: dict[str, object] = {"bn": f"{readings[0].float_id}:"}
    if not timeless:
        base["bt"] = start_s
    records[0] = base | records[0]
    return records


def _records(reading: Reading) -> list[tuple[str, str, float]]:
    angle_rad = math.radians(reading.angle_deg)
    if reading.acceleration_g is None:
        records = [("angle", "rad", angle_rad)]
    else:
        size_m_s2 = reading.acceleration_g * STANDARD_GRAVITY_M_S2
        records = [
            ("ax", "m/s2", size_m_s2 * math.sin(angle_rad)),
            ("ay", "m/s2", 0.0),
            ("az", "m/s2", size_m_s2 * math.cos(angle_rad)),
        ]
    records.append(("temperature", "Cel", reading.temperature_c))
    if reading.battery_v is not None:
        records.append(("battery", "V", reading.battery_v))
    if reading.battery_percent is not None:
        records.append(("battery", "%EL", reading.battery_percent))
    if reading.rssi_dbm is not None:
        records.append(("rssi", "dBm", reading.rssi_dbm))
    return records
