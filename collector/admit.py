"""Admit: what may be true becomes a `Reading`, everything else a `Rejected` with its reason. Pure."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta

from collector.packet import Fields, Packet, Reason, Refusal, Rejected, rejected
from gylewatch.values import TEMPERATURE_RANGE_C, FloatId, Reading, is_name

POWER_ON_TEMPERATURE_C = 85.0
# Common practice, no source: a one-wire digital thermometer that was read before its first conversion reports exactly
# 85. No yeast lives there, so refusing a true 85.0 costs one reading of hot water and nothing of a fermentation.
ANGLE_LIMIT_DEG = 180.0
# 0 is admitted: a float that stands upright is a legal position (in heavy wort with its weight low) and a dead sensor
# that reports only zeros is found as a stuck float. Exactly 180 is upside down: a packet fault, and no float floats so.
BATTERY_RANGE_V = (0.0, 60.0)
BATTERY_RANGE_PERCENT = (0.0, 100.0)
SIGNAL_RANGE_DBM = (-150, 30)
# Beyond these the gauge is at fault, not the float: the value is left out, which is told, and the reading kept.


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How far a float's clock may be from ours."""

    future: timedelta = timedelta(minutes=5)
    # A cheap crystal is off by 20 ppm, 2 s a day (arithmetic); 5 minutes covers months without setting the clock, and
    # a reading from further ahead would hide the true ones that follow it.
    age: timedelta = timedelta(days=45)
    # A float that buffered a whole lager and its cold storage may send it late; older times come from a clock that
    # lost its battery (1970, 2000, the day the firmware was made).


DEFAULT_LIMITS = Limits()


def admit(
    fields: Fields | Refusal,
    packet: Packet,
    *,
    now: datetime,
    known: Collection[FloatId],
    limits: Limits = DEFAULT_LIMITS,
) -> Reading | Rejected:
    """Judge what a decoder found in `packet`.

    Parameters
    ----------
    fields : one decoded time slot, or the decoder's refusal
    packet : where it came from; gives arrival time and signal where the fields have none
    now : aware, UTC; a clock that can be trusted
    known : the floats that the user has added
    limits : how old and how far ahead a reading may be

    Returns
    -------
    The reading, or the refusal with one sentence for the user. Readings older than others are not refused: floats
    that buffer send late, and order is made downstream by the time measured.
    """
    if packet.retained:
        return _refuse(
            packet, Reason.RETAINED, "the broker repeated an old reading (retained); publish readings without retain",
            fields.float_name,
        )  # fmt: skip
    if isinstance(fields, Refusal):
        return rejected(packet, fields)
    name = fields.float_name
    if name not in known:
        if not name.isprintable():
            detail = f"no float can be called {name[:63]!r}; use letters and digits"
            return _refuse(packet, Reason.MALFORMED, detail, None)
        remedy = (
            "add it on the page or with gylewatch float add, or correct the name it sends"
            if is_name(name)
            else "let it send a name of plain letters (a to z, A to Z), digits, '_', '.' or '-'"
        )
        detail = f"no float is called {name[:63]!r}; {remedy}"
        return rejected(packet, Refusal(reason=Reason.UNKNOWN_FLOAT, detail=detail, float_name=name), fields)
    time = fields.time or packet.received
    fault = _value_fault(fields.angle_deg, fields.temperature_c) or time_fault(time, now, limits)
    if fault is not None:
        return _refuse(packet, fault[0], fault[1], name)
    return Reading(
        time=time,
        float_id=FloatId(name),
        angle_deg=fields.angle_deg,
        temperature_c=fields.temperature_c,
        battery_v=within(fields.battery_v, BATTERY_RANGE_V),
        battery_percent=within(fields.battery_percent, BATTERY_RANGE_PERCENT),
        rssi_dbm=signal(signal_said(fields, packet)),
        acceleration_g=within(fields.acceleration_g, (0.0, math.inf)),
    )


def admit_slot(
    fields: Fields | Refusal,
    packet: Packet,
    *,
    now: datetime,
    known: Collection[FloatId],
    limits: Limits = DEFAULT_LIMITS,
) -> tuple[Reading | Rejected, ...]:
    """As `admit`; behind a reading stands a refusal of what was left out of it, if anything was."""
    admitted = admit(fields, packet, now=now, known=known, limits=limits)
    if isinstance(fields, Refusal) or isinstance(admitted, Rejected):
        return (admitted,)
    faults = _left_out(fields, signal_said(fields, packet), admitted)
    if not faults:
        return (admitted,)
    detail = f"{', '.join(faults)}: left out of a reading that is kept; check the float's gauge"
    return (admitted, _refuse(packet, Reason.VALUE_LEFT_OUT, detail, fields.float_name))


def signal_said(fields: Fields, packet: Packet) -> float | None:
    """What the float says of its signal, else what the receiver measured."""
    return fields.rssi_dbm if fields.rssi_dbm is not None else packet.rssi_dbm


def _left_out(fields: Fields, rssi_dbm: float | None, reading: Reading) -> tuple[str, ...]:
    """What was said that `reading` does not hold, because it cannot be true."""
    said_all = (fields.battery_v, fields.battery_percent, rssi_dbm, fields.acceleration_g)
    if said_all == (reading.battery_v, reading.battery_percent, reading.rssi_dbm, reading.acceleration_g):
        return ()  # nearly always: every reading comes this way
    gauges = (
        ("battery", fields.battery_v, reading.battery_v, BATTERY_RANGE_V, "V"),
        ("battery", fields.battery_percent, reading.battery_percent, BATTERY_RANGE_PERCENT, "%"),
        ("signal", rssi_dbm, reading.rssi_dbm, SIGNAL_RANGE_DBM, "dBm"),
    )
    faults = [
        f"{name} {said:.7g} {unit} is outside {low:g} to {high:g}" if math.isfinite(said) else f"{name} is not a number"
        for name, said, kept, (low, high), unit in gauges
        if said is not None and kept is None
    ]
    if fields.acceleration_g is not None and reading.acceleration_g is None:
        faults.append("acceleration is not a number")
    return tuple(faults)


def _value_fault(angle_deg: float, temperature_c: float) -> tuple[Reason, str] | None:
    if not (math.isfinite(angle_deg) and math.isfinite(temperature_c)):
        return Reason.NOT_A_NUMBER, "angle and temperature must be numbers"
    if not 0.0 <= angle_deg < ANGLE_LIMIT_DEG:
        return Reason.OUT_OF_RANGE, f"angle {angle_deg:.7g} degrees is outside 0 to 180: no float lies so, check it"
    return temperature_fault(temperature_c)


def temperature_fault(temperature_c: float, what: str = "float") -> tuple[Reason, str] | None:
    """Why a temperature, which is a number, cannot be true; `what` names the thermometer's bearer."""
    low_c, high_c = TEMPERATURE_RANGE_C
    if not low_c <= temperature_c <= high_c:
        return (
            Reason.OUT_OF_RANGE,
            f"temperature {temperature_c:.7g} °C is outside {low_c:g} to {high_c:g}: check the {what}'s thermometer",
        )
    if abs(temperature_c - POWER_ON_TEMPERATURE_C) <= 1e-6:  # also when it came as kelvin
        return Reason.OUT_OF_RANGE, "temperature is exactly 85 °C: what a thermometer says before its first measurement"
    return None


def time_fault(time: datetime, now: datetime, limits: Limits, what: str = "float") -> tuple[Reason, str] | None:
    """Why a time cannot be believed."""
    ahead = time - now
    if ahead > limits.future:
        return Reason.IN_THE_FUTURE, f"the time {_iso(time)} lies in the future: set the {what}'s clock"
    if -ahead > limits.age:
        return Reason.TOO_OLD, f"the time {_iso(time)} is more than {limits.age.days} days ago: set the {what}'s clock"
    return None


def _iso(time: datetime) -> str:
    return time.replace(microsecond=0, tzinfo=None).isoformat() + "Z"


def within(value: float | None, limits: tuple[float, float]) -> float | None:
    """`value`, or None where it cannot be true."""
    if value is None or not limits[0] <= value <= limits[1] or math.isinf(value):
        return None
    return value


def signal(rssi_dbm: float | None) -> int | None:
    """`rssi_dbm`, or None where no receiver could have measured it."""
    kept = within(rssi_dbm, SIGNAL_RANGE_DBM)
    return None if kept is None else round(kept)


def _refuse(packet: Packet, reason: Reason, detail: str, float_name: str | None) -> Rejected:
    return rejected(packet, Refusal(reason=reason, detail=detail, float_name=float_name))
