"""The vessel's own probe: a second thermometer in the beer, heard over MQTT. Pure.

It reports SenML on a topic of ours, or any JSON in which the user says where the temperature stands.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from collector.admit import DEFAULT_LIMITS, Limits, temperature_fault, time_fault
from collector.mapping import UNITS, Place, check_unit, decode_values
from collector.packet import Packet, Reason, Refusal, Rejected, rejected
from collector.senml_pack import resolve_pack
from collector.topics import filter_problem, temperatures_topic
from gylewatch.values import ProbeReading, VesselId, check_name

APART: Final = timedelta(seconds=45)
# About one a minute, with room for a clock that trembles. Floats spare their battery, probes hang on the mains: one a
# second would write 5 GB a year to a memory card, one a minute 85 MB, and what is concluded rests on means of hours.

_SENML_UNITS: Final = ("Cel", "K")  # RFC 8428, section 12.1
_NAME: Final = "temperature"


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """One probe as the user describes it.

    With a `topic` of its own its payload is read by `temperature` (and `time`); without one it is SenML on our topic.
    """

    name: str
    vessel: VesselId
    topic: str | None = None
    temperature: Place | None = None
    time: Place | None = None

    def __post_init__(self) -> None:
        check_name("probe", self.name)
        check_name("vessel", self.vessel)
        if (self.topic is None) != (self.temperature is None):
            raise ValueError("a probe with a topic of its own needs temperature beside it, and only such a one")
        if self.topic is None and self.time is not None:
            raise ValueError("time is for a probe with a topic of its own; SenML brings its time along")
        if self.topic is not None and any(character in self.topic for character in "+#"):
            raise ValueError(f"topic {self.topic!r} must name one topic, without + and #: it is one probe")
        problem = None if self.topic is None else filter_problem(self.topic)
        if problem is not None:
            raise ValueError(f"topic {str(self.topic)[:80]!r} {problem}")
        for quantity, place in (("temperature", self.temperature), ("time", self.time)):
            if place is not None:
                check_unit(quantity, place.unit)

    def topic_under(self, prefix: str) -> str:
        """Where it is heard on a broker with this prefix."""
        return self.topic or temperatures_topic(self.name, prefix)


_Found = tuple[datetime | None, float]


def read_probe(
    probe: Probe, packet: Packet, *, now: datetime, limits: Limits = DEFAULT_LIMITS
) -> tuple[ProbeReading | Rejected, ...]:
    """Decode and admit one packet of a probe.

    Parameters
    ----------
    probe : on whose topic it came
    packet : not a retained one
    now : aware, UTC; a clock that can be trusted
    limits : how old and how far ahead a reading may be

    Returns
    -------
    At least one reading or refusal. Never raises.
    """
    found = _senml(packet) if probe.temperature is None else (_json(probe, probe.temperature, packet),)
    return tuple(
        rejected(packet, _named(probe, each)) if isinstance(each, Refusal) else _admit(probe, packet, each, now, limits)
        for each in found
    )


def _senml(packet: Packet) -> tuple[_Found | Refusal, ...]:
    found: list[_Found | Refusal] = []
    for record in resolve_pack(packet.payload, packet.received):
        if isinstance(record, Refusal):
            found.append(record)
        elif record.own_name.replace("/", ":").rsplit(":", 1)[-1] != _NAME:
            continue
        elif record.value is None:
            found.append(Refusal(reason=Reason.NOT_A_NUMBER, detail="temperature is not a number"))
        elif record.unit not in _SENML_UNITS:
            had = f"the unit {record.unit[:20]!r}" if record.unit else "no unit"
            detail = f"temperature has {had}; send it in {' or '.join(_SENML_UNITS)}"
            found.append(Refusal(reason=Reason.UNKNOWN_UNIT, detail=detail))
        else:
            found.append((record.time, UNITS[_NAME][record.unit](record.value)))
    return tuple(found) or (Refusal(reason=Reason.MISSING_FIELD, detail="the SenML pack names no temperature"),)


def thin_out(
    kept: Mapping[str, datetime], found: Sequence[ProbeReading]
) -> tuple[Mapping[str, datetime], tuple[ProbeReading, ...]]:
    """Of readings that come close upon each other the first one of each probe.

    Parameters
    ----------
    kept : time of the last reading of each probe that was kept
    found : in order of arrival; a repeat of one that was kept stays among them

    Returns
    -------
    `kept` afterwards, and what is to be kept
    """
    last = dict(kept)
    wanted: list[ProbeReading] = []
    for reading in found:
        before = last.get(reading.probe)
        # Either way: what a probe has gathered while nobody heard it may come behind newer readings.
        if before is None or reading.time == before or abs(reading.time - before) >= APART:
            last[reading.probe] = reading.time
            wanted.append(reading)
    return last, tuple(wanted)


def _json(probe: Probe, place: Place, packet: Packet) -> _Found | Refusal:
    values = decode_values(packet.payload, {_NAME: place}, probe.time)
    if isinstance(values, Refusal):
        return values
    time, found = values
    return time, found[_NAME]


def _admit(probe: Probe, packet: Packet, found: _Found, now: datetime, limits: Limits) -> ProbeReading | Rejected:
    time, temperature_c = found[0] or packet.received, found[1]
    if math.isfinite(temperature_c):
        fault = temperature_fault(temperature_c, "probe") or time_fault(time, now, limits, "probe")
    else:
        fault = (Reason.NOT_A_NUMBER, "the temperature must be a number")
    if fault is not None:
        return rejected(packet, _named(probe, Refusal(reason=fault[0], detail=fault[1])))
    return ProbeReading(time=time, probe=probe.name, vessel=probe.vessel, temperature_c=temperature_c)


def _named(probe: Probe, refusal: Refusal) -> Refusal:
    return Refusal(reason=refusal.reason, detail=f"probe {probe.name}: {refusal.detail}", time=refusal.time)
