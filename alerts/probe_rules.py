"""Float and vessel probe: two thermometers in one beer that do not agree. Which of them is wrong, no rule can tell.

Compared are means of whole hours in which both were heard, both kept still and no planned change was under way: a float
at the top is the last to cool, and a probe in its well follows the wall. The difference is the median of those hours,
its uncertainty comes from their median absolute deviation (scale 1.4826 for normal errors: Rousseeuw and Croux, JASA
88, 1993, equation 1.2; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from statistics import median
from typing import Final

from alerts.alert import Evidence, Kind, Severity
from alerts.conditions import Condition, Opened, ended, hours_between, middle
from alerts.thresholds import AlertSettings
from gylewatch.copying import replace
from gylewatch.values import Batch, ProbeReading

DISAGREE: Final = "float and vessel probe disagree"
"""The cause under which the kind `calibration-suspect` tells of it."""

_KEPT_H = 48  # hours that are remembered: a window, and how long it has lasted
_FRESH_H = 3  # both must have been heard so lately, or an old difference would be told as today's
_ALIKE_H = 3  # neighbouring hours are alike (a controller's ripple takes one to four): so many count as one measurement
_SHARE = 2 / 3  # of the hours of the window that must be comparable
_GONE_H = 24.0  # without the probe for so long, nothing can be said any more
_MAD_TO_SD = 1.4826
_MEDIAN_TO_MEAN = 1.2533  # sqrt(pi/2): the error of a median of normal values against that of their mean


@dataclass(frozen=True, slots=True, kw_only=True)
class Hour:
    """What both said within one hour."""

    start: datetime
    float_sum_c: float = 0.0
    float_count: int = 0
    probe_sum_c: float = 0.0
    probe_count: int = 0

    @property
    def is_paired(self) -> bool:
        return self.float_count > 0 and self.probe_count > 0

    @property
    def float_c(self) -> float:
        return self.float_sum_c / self.float_count

    @property
    def probe_c(self) -> float:
        return self.probe_sum_c / self.probe_count

    @property
    def difference_c(self) -> float:
        return self.float_c - self.probe_c


@dataclass(frozen=True, kw_only=True)
class ProbeMemory:
    """What the comparison needs to know of the past; empty as long as no probe was heard."""

    probe: str = ""
    heard: datetime | None = None  # newest time of the probe
    last_c: tuple[float, ...] = ()  # its newest raw temperatures, at most three: their median removes single spikes
    hours: tuple[Hour, ...] = ()  # oldest first


def follow_probe(memory: ProbeMemory, heard: ProbeReading) -> ProbeMemory:
    """Take one reading of the probe into the memory; one that comes late has been overtaken."""
    if heard.probe != memory.probe:
        memory = ProbeMemory(probe=heard.probe)  # another thermometer: what the old one said is no evidence
    if memory.heard is not None and heard.time <= memory.heard:
        return memory
    last = (*memory.last_c, heard.temperature_c)[-3:]
    hour = _hour_of(memory, heard.time)
    hour = replace(hour, probe_sum_c=hour.probe_sum_c + middle(last), probe_count=hour.probe_count + 1)
    return replace(memory, heard=heard.time, last_c=last, hours=_with(memory.hours, hour))


def follow_float(memory: ProbeMemory, now: datetime, temperature_c: float) -> ProbeMemory:
    """Take one spike-free temperature of the float into the memory."""
    if memory.heard is None:
        return memory
    hour = _hour_of(memory, now)
    hour = replace(hour, float_sum_c=hour.float_sum_c + temperature_c, float_count=hour.float_count + 1)
    return replace(memory, hours=_with(memory.hours, hour))


def thermometers_disagree(
    settings: AlertSettings, batch: Batch, memory: ProbeMemory, now: datetime, opened: Opened
) -> Condition | None:
    """Float and probe have differed for hours by more than two sound thermometers in one beer."""
    if memory.heard is None:
        return None
    rule = settings.calibration_suspect
    hours = comparable(settings, batch, memory.hours, now)
    if Kind.CALIBRATION_SUSPECT in opened:
        return _over(settings, memory, hours, now)
    window = _within(hours, now, rule.probe_window_h)
    if len(window) < _SHARE * rule.probe_window_h or hours_between(window[-1].start, now) > _FRESH_H:
        return None
    off_c, error_c = difference([hour.difference_c for hour in window])
    # The last hours must agree with the whole, or what has just ended would be raised again by its past.
    recent_c, _ = difference([hour.difference_c for hour in _within(window, now, rule.probe_window_h / 2)])
    if min(abs(off_c) - 2 * error_c, recent_c * math.copysign(1.0, off_c)) <= rule.probe_differ_c:
        return None
    evidence = _evidence(memory, window)
    held_h = hours_between(_since(hours, rule.probe_release_c), now)
    float_c, probe_c = _means(window)
    return Condition(
        active=True,
        severity=Severity.WARNING,
        summary=f"Float {batch.float_id} says {float_c:.1f} °C and probe {memory.probe} of vessel {batch.vessel} "
        f"{probe_c:.1f} °C: {abs(off_c):.1f} °C apart for {held_h:.0f} hours. One of the two reads wrong, or the beer "
        "lies in layers.",
        evidence={
            **evidence,
            "difference_c": round(off_c, 2),
            "standard_error_c": round(error_c, 2),
            "limit_c": rule.probe_differ_c,
            "sustained_h": round(held_h, 1),
        },
    )


def comparable(settings: AlertSettings, batch: Batch, hours: Sequence[Hour], now: datetime) -> tuple[Hour, ...]:
    """The full hours in which both were heard and neither the beer nor the plan was on the move."""
    steady = settings.calibration_suspect.probe_steady_c_per_h
    found: list[Hour] = []
    before: Hour | None = None
    for hour in hours:
        if not hour.is_paired or hours_between(hour.start, now) < 1:
            continue
        if before is not None:
            passed_h = hours_between(before.start, hour.start)
            moved_c = max(abs(hour.float_c - before.float_c), abs(hour.probe_c - before.probe_c))
            if moved_c <= steady * passed_h and not _is_planned(settings, batch, hour.start):
                found.append(hour)
        before = hour
    return tuple(found)


def difference(differences_c: Sequence[float]) -> tuple[float, float]:
    """The median of hourly differences and its standard error."""
    centre = median(differences_c)
    spread = _MAD_TO_SD * median(abs(each - centre) for each in differences_c)
    return centre, _MEDIAN_TO_MEAN * spread / math.sqrt(max(1.0, len(differences_c) / _ALIKE_H))


def _over(settings: AlertSettings, memory: ProbeMemory, hours: Sequence[Hour], now: datetime) -> Condition | None:
    rule = settings.calibration_suspect
    if memory.heard is not None and hours_between(memory.heard, now) > _GONE_H:
        return ended(f"Probe {memory.probe} has not been heard for a day: the two can no longer be compared.")
    window = _within(hours, now, rule.probe_window_h / 2)
    if len(window) < _SHARE * rule.probe_window_h / 2:
        return None
    off_c, _ = difference([hour.difference_c for hour in window])
    if abs(off_c) >= rule.probe_release_c:
        return None
    return ended("Float and probe agree again.", **{**_evidence(memory, window), "difference_c": round(off_c, 2)})


def _means(window: Sequence[Hour]) -> tuple[float, float]:
    n = len(window)
    return sum(hour.float_c for hour in window) / n, sum(hour.probe_c for hour in window) / n


def _evidence(memory: ProbeMemory, window: Sequence[Hour]) -> Evidence:
    float_c, probe_c = _means(window)
    return {
        "probe": memory.probe,
        "float_mean_c": round(float_c, 2),
        "probe_mean_c": round(probe_c, 2),
        "compared_h": len(window),
        "float_readings": sum(hour.float_count for hour in window),
        "probe_readings": sum(hour.probe_count for hour in window),
    }


def _since(hours: Sequence[Hour], release_c: float) -> datetime:
    """The beginning of the hours, without one that agrees between them, in which the two have differed."""
    since = hours[-1].start
    for hour in reversed(hours):
        if abs(hour.difference_c) < release_c:
            break
        since = hour.start
    return since


def _within(hours: Sequence[Hour], now: datetime, length_h: float) -> list[Hour]:
    return [hour for hour in hours if hours_between(hour.start, now) <= length_h + 1]


def _is_planned(settings: AlertSettings, batch: Batch, time: datetime) -> bool:
    early = timedelta(hours=settings.temperature_out_of_range.early_h)
    settle = timedelta(hours=settings.calibration_suspect.probe_settle_h)
    return any(step.start - early <= time < step.start + settle for step in batch.plan)


def _hour_of(memory: ProbeMemory, time: datetime) -> Hour:
    start = time.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    return next((hour for hour in reversed(memory.hours) if hour.start == start), Hour(start=start))


def _with(hours: Sequence[Hour], changed: Hour) -> tuple[Hour, ...]:
    others = [hour for hour in hours if hour.start != changed.start]
    return tuple(sorted((*others, changed), key=lambda hour: hour.start)[-_KEPT_H:])
