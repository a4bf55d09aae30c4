"""SenML packs (RFC 8428), JSON or CBOR, as resolved records. Pure; knows nothing of floats.

Resolving follows RFC 8428 section 4.6: base fields apply from their record on, times become absolute, names are whole.
"""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import NamedTuple, TypeGuard

import cbor2

from collector.cbor_tags import foreign_tag
from collector.packet import Reason, Refusal

MAX_PACK_BYTES = 65_536
# About 600 readings: a float that buffers for 6 days at 15 minutes. More in one pack is a fault or an attack.
SUPPORTED_VERSION = 10  # RFC 8428, section 4.4
ABSOLUTE_FROM_S = 2.0**28  # RFC 8428, section 4.5.3: smaller times are relative to now

# RFC 8428, section 6, table 4.
_CBOR_LABELS = {
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip
_KNOWN_LABELS = frozenset(_CBOR_LABELS.values())
_VALUE_LABELS = frozenset({"v", "vs", "vb", "vd", "s"})
_BASE_LABELS = frozenset({"bn", "bt", "bu", "bv", "bver"})
_read_json = json.JSONDecoder().decode  # as `json.loads` does, without asking each time what it is given


class Record(NamedTuple):
    """One resolved record. `value` is None where it holds no number.

    A named tuple, since every packet makes several: it is made four times as fast as a frozen dataclass.
    """

    name: str  # base name and name together
    own_name: str  # what the record itself calls it; the base name where it gives none
    unit: str | None
    time: datetime | None  # None: the record says "now"
    value: float | None


class _Base(NamedTuple):
    name: str = ""
    unit: str | None = None
    time_s: float = 0.0
    value: float = 0.0
    version: int = SUPPORTED_VERSION


_NO_BASE = _Base()


class _Refused(Exception):
    def __init__(self, reason: Reason, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail


def resolve_pack(payload: bytes, now: datetime) -> tuple[Record | Refusal, ...]:
    """Decode one pack and resolve its records.

    Parameters
    ----------
    payload : JSON or CBOR, told apart by the first byte
    now : aware, UTC; what relative times are relative to

    Returns
    -------
    A record or a refusal for each record that holds a value, in the pack's order; one refusal where the pack as a
    whole cannot be understood. Never raises.

    Source: RFC 8428 (2018), sections 4 to 6.
    """
    try:
        return tuple(_resolve(_load(payload), now))
    except _Refused as refused:
        return (Refusal(reason=refused.reason, detail=refused.detail),)


def _load(payload: bytes) -> list[dict[str, object]]:
    if len(payload) > MAX_PACK_BYTES:
        raise _Refused(
            Reason.MALFORMED,
            f"the pack is longer than the {MAX_PACK_BYTES} bytes that are read; send smaller packs",
        )
    start = payload.lstrip(b" \t\r\n")[:1]
    if start == b"[":
        pack = _load_json(payload)
    elif start and 0x80 <= start[0] <= 0x9F:
        pack = _load_cbor(payload)
    else:
        own = (
            "; JSON of its own belongs on a topic of its own, described by an [[mqtt.mapping]]" if start == b"{" else ""
        )
        raise _Refused(Reason.MALFORMED, f"the payload is neither a SenML JSON nor a SenML CBOR array (RFC 8428){own}")
    if not isinstance(pack, list) or not pack:
        raise _Refused(Reason.MALFORMED, "the SenML pack is empty")
    return [
        record if type(record) is dict and _KNOWN_LABELS.issuperset(record) else _labelled(index, record)
        for index, record in enumerate(pack, start=1)
    ]


def _load_json(payload: bytes) -> object:
    try:
        return _read_json(payload.decode("utf-8"))
    except UnicodeDecodeError:
        raise _Refused(Reason.MALFORMED, "the SenML JSON is not UTF-8") from None
    except json.JSONDecodeError as error:
        raise _Refused(
            Reason.MALFORMED, f"the SenML JSON breaks off or is wrong at character {error.pos}: {error.msg}"
        ) from None
    except (ValueError, RecursionError):  # a number of thousands of digits; brackets nested too deep
        raise _Refused(Reason.MALFORMED, "the SenML JSON holds a number or a nesting that cannot be read") from None


def _load_cbor(payload: bytes) -> object:
    tag = foreign_tag(payload)
    if tag is not None:
        raise _Refused(Reason.MALFORMED, f"the SenML CBOR holds the semantic tag {tag}; send plain numbers and text")
    try:
        return cbor2.loads(payload)
    except (cbor2.CBORDecodeError, ValueError, TypeError, ArithmeticError, RecursionError, MemoryError, EOFError):
        raise _Refused(Reason.MALFORMED, "the SenML CBOR breaks off or is not well formed") from None


def _labelled(index: int, record: object) -> dict[str, object]:
    if not isinstance(record, dict):
        raise _Refused(Reason.MALFORMED, f"record {index} of the SenML pack is not a map")
    for label in record:
        if type(label) is not str:
            known = ((_CBOR_LABELS.get(key) if type(key) is int else key, value) for key, value in record.items())
            return _labelled(index, {name: value for name, value in known if type(name) is str})
        if label.endswith("_"):  # RFC 8428, section 4.4: must be understood, and an error if it is not
            raise _Refused(Reason.UNKNOWN_FIELD, f"the field {label[:40]!r} must be understood and is not")
    return record


def _resolve(pack: list[dict[str, object]], now: datetime) -> list[Record | Refusal]:
    base = _NO_BASE
    times = _Times(now)
    resolved: list[Record | Refusal] = []
    for index, fields in enumerate(pack, start=1):
        if not _BASE_LABELS.isdisjoint(fields):
            base = _next_base(base, fields, index)
        if not _VALUE_LABELS.isdisjoint(fields):
            resolved.append(_resolve_record(base, fields, times))
        elif "n" in fields:
            resolved.append(Refusal(reason=Reason.MISSING_FIELD, detail=f"record {index} holds no value"))
    if not resolved:
        raise _Refused(Reason.MISSING_FIELD, "the SenML pack holds no value")
    return resolved


def _next_base(base: _Base, fields: dict[str, object], index: int) -> _Base:
    version = fields.get("bver", base.version)
    if type(version) is not int or version < 1:
        raise _Refused(Reason.MALFORMED, f"bver in record {index} is not a positive whole number")
    if version > SUPPORTED_VERSION:
        raise _Refused(
            Reason.UNSUPPORTED_VERSION,
            f"the SenML pack has version {min(version, 10**6)}; versions up to {SUPPORTED_VERSION} are understood",
        )
    name, unit = fields.get("bn", base.name), fields.get("bu", base.unit)
    if not _is_text(name) or not (unit is None or _is_text(unit)):
        raise _Refused(Reason.MALFORMED, f"bn or bu in record {index} is not text")
    time_s, value = number(fields.get("bt", base.time_s)), number(fields.get("bv", base.value))
    if time_s is None or value is None:
        raise _Refused(Reason.NOT_A_NUMBER, f"bt or bv in record {index} is not a number")
    return _Base(name=name, unit=unit, time_s=time_s, value=value, version=version)


def _resolve_record(base: _Base, fields: dict[str, object], times: _Times) -> Record | Refusal:
    base_name, base_unit, base_time_s, base_value, _ = base
    own_name, unit = fields.get("n", ""), fields.get("u", base_unit)
    # Plain letters, as nearly all are, are seen without a call: every packet has four names and units or more.
    if not ((type(own_name) is str and own_name.isascii()) or _is_text(own_name)) or not (
        unit is None or (type(unit) is str and unit.isascii()) or _is_text(unit)
    ):
        return Refusal(reason=Reason.MALFORMED, detail="the name or unit of a record is not text")
    name = base_name + own_name
    if not name:
        return Refusal(reason=Reason.MISSING_FIELD, detail="a record has no name")
    offset_s = number(fields["t"]) if "t" in fields else 0.0
    try:
        time = times[base_time_s + offset_s] if offset_s is not None else None
    except (OverflowError, ValueError, OSError):
        offset_s = None
    if offset_s is None:
        return Refusal(reason=Reason.MALFORMED, detail=f"the time of record {own_name[:40]!r} is not a usable time")
    value = number(fields.get("v"))
    if value is not None and base_value:
        value = number(value + base_value)
    return Record(name, own_name or base_name, unit, time, value)


def _is_text(value: object) -> TypeGuard[str]:
    if not isinstance(value, str):
        return False
    return value.isascii() or not any("\ud800" <= character <= "\udfff" for character in value)  # lone surrogates


def number(value: object) -> float | None:
    """`value` as a finite number; None for everything else, truth values included."""
    if type(value) is float:
        return value if math.isfinite(value) else None
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        return None
    try:
        converted = float(value)
    except (OverflowError, ValueError):
        return None
    return converted if math.isfinite(converted) else None


class _Times(dict[float, datetime | None]):
    """Resolved times by their seconds; the records of one reading share theirs."""

    def __init__(self, now: datetime) -> None:
        super().__init__({0.0: None})
        self._now = now

    def __missing__(self, seconds: float) -> datetime:
        if seconds < ABSOLUTE_FROM_S:
            time = self._now + timedelta(seconds=seconds)
        else:
            time = datetime.fromtimestamp(seconds, tz=UTC)
        self[seconds] = time
        return time
