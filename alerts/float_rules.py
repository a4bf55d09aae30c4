"""The float itself: silent, or stuck."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from alerts.alert import Kind, Severity
from alerts.conditions import Condition, Opened, ended, hours_between, middle
from alerts.thresholds import AlertSettings
from gylewatch.copying import replace
from gylewatch.counting import counted
from gylewatch.values import Batch, Reading

_GAPS = 15  # intervals of which the median is taken: seven lost packets in a row do not move it
_HOURS = 48  # hourly spans of the angle that are kept at most; the stuck window may be that long
_SPANS = 8  # windows from which the usual span of working beer is learnt


@dataclass(frozen=True, kw_only=True)
class SilenceMemory:
    """When the float was heard, and how often it usually is."""

    reading_time: datetime | None = None  # newest reading, by its own time
    heard: datetime | None = None  # newest reading, by the clock that ticks: late readings are heard late
    gaps_s: tuple[float, ...] = ()  # newest intervals, at most `_GAPS`


def follow_silence(memory: SilenceMemory, reading: Reading, clock: datetime) -> SilenceMemory:
    """Take one reading, newer than all before, into the memory."""
    gaps = memory.gaps_s
    if memory.reading_time is not None:
        gaps = (*gaps, (reading.time - memory.reading_time).total_seconds())[-_GAPS:]
    return SilenceMemory(reading_time=reading.time, heard=max(reading.time, clock), gaps_s=gaps)


def half_interval(memory: SilenceMemory) -> timedelta:
    """Half the usual time between two readings; nothing where it is not known yet."""
    return timedelta(seconds=middle(memory.gaps_s) / 2 if memory.gaps_s else 0.0)


def float_silent(
    settings: AlertSettings, batch: Batch, memory: SilenceMemory, now: datetime, opened: Opened, *, heard_now: bool
) -> Condition | None:
    """Nothing has been heard for several of the float's usual intervals.

    `heard_now` says that a reading has just come; otherwise time has merely passed.
    """
    rule = settings.float_silent
    raised = opened.get(Kind.FLOAT_SILENT)
    if heard_now and raised is not None:
        return ended(
            f"Float {batch.float_id} is heard again.", silent_since_alert_h=round(hours_between(raised.since, now), 2)
        )
    if heard_now or raised is not None:
        return None
    interval_h = middle(memory.gaps_s) / 3600 if memory.gaps_s else None
    limit_h = max(rule.floor_h, rule.intervals * (interval_h or 0.0))
    if memory.heard is None:
        limit_h = rule.never_heard_h
    silent_h = hours_between(memory.heard or batch.pitched, now)
    if silent_h < limit_h:
        return None
    if memory.heard is None:
        summary = f"Float {batch.float_id} has not been heard in the {_long(silent_h)} since pitching."
    else:
        usual = f"; it usually reports every {_every(interval_h)}" if interval_h else ""
        low = "; its battery was low" if Kind.BATTERY_LOW in opened else ""
        summary = f"Nothing was heard of float {batch.float_id} for {_long(silent_h, 1)}{usual}{low}."
    return _silent(summary, silent_h, interval_h, limit_h)


def _every(interval_h: float) -> str:
    seconds = round(interval_h * 3600)
    if seconds < 90:
        return counted(seconds, "second").removeprefix("1 ")
    return (
        counted(round(interval_h * 60), "minute") if interval_h < 2.0 else f"{interval_h:.1f} hours".replace(".0 ", " ")
    )


def _long(hours: float, digits: int = 0) -> str:
    return f"{hours:.{digits}f} hours" if hours < 72.0 else f"{hours / 24.0:.0f} days"


def _silent(summary: str, silent_h: float, interval_h: float | None, limit_h: float) -> Condition:
    return Condition(
        active=True,
        severity=Severity.WARNING,
        summary=summary,
        evidence={
            "silent_h": round(silent_h, 2),
            "usual_interval_min": None if interval_h is None else round(interval_h * 60, 2),
            "limit_h": round(limit_h, 2),
        },
    )


@dataclass(frozen=True, kw_only=True)
class AngleHour:
    """Extremes of the angle within one hour of readings."""

    start: datetime
    low_deg: float
    high_deg: float
    count: int
    rate_points_per_day: float  # as believed at the start of the hour


@dataclass(frozen=True, kw_only=True)
class StuckMemory:
    """How the angle has moved lately, hour by hour."""

    hours: tuple[AngleHour, ...] = ()  # newest last
    usual_spans_deg: tuple[float, ...] = ()  # spans of windows in which the beer worked and the float moved
    span_taken: datetime | None = None  # when the last of them was taken
    rate_points_per_day: float = 0.0  # newest belief


def follow_angle(
    settings: AlertSettings, memory: StuckMemory, reading: Reading, rate_points_per_day: float | None
) -> StuckMemory:
    """Take one reading, newer than all before, into the memory."""
    rule = settings.float_stuck
    rate = memory.rate_points_per_day if rate_points_per_day is None else rate_points_per_day
    angle, now = reading.angle_deg, reading.time
    hours = memory.hours
    if hours and hours_between(hours[-1].start, now) < 1:
        last = hours[-1]
        hours = (
            *hours[:-1],
            replace(last, low_deg=min(last.low_deg, angle), high_deg=max(last.high_deg, angle), count=last.count + 1),
        )
        return replace(memory, hours=hours, rate_points_per_day=rate)
    if window := _window(rule.window_h, hours, now):
        span = _span(window)
        due = memory.span_taken is None or hours_between(memory.span_taken, now) >= rule.window_h
        if due and window[0].rate_points_per_day >= rule.rate_points_per_day and span > rule.still_deg:
            memory = replace(memory, usual_spans_deg=(*memory.usual_spans_deg, span)[-_SPANS:], span_taken=now)
    fresh = AngleHour(start=now, low_deg=angle, high_deg=angle, count=1, rate_points_per_day=rate)
    keep = min(_HOURS, int(rule.window_h) + 2)
    return replace(memory, hours=(*hours, fresh)[-keep:], rate_points_per_day=rate)


def _window(window_h: float, hours: tuple[AngleHour, ...], now: datetime) -> tuple[AngleHour, ...]:
    """The newest hours that together reach back `window_h` before `now`; empty where none do."""
    for i in range(len(hours) - 1, -1, -1):
        if hours_between(hours[i].start, now) >= window_h:
            return hours[i:]
    return ()


def _span(hours: tuple[AngleHour, ...]) -> float:
    """Between the extremes of the angle, the hour that widens it most left out: one wild packet is no motion."""
    if len(hours) < 3:
        return _whole_span(hours)
    widest = (max(hours, key=lambda hour: hour.high_deg), min(hours, key=lambda hour: hour.low_deg))
    return min(_whole_span(tuple(hour for hour in hours if hour is not one)) for one in widest)


def _whole_span(hours: tuple[AngleHour, ...]) -> float:
    return max((hour.high_deg for hour in hours), default=0.0) - min((hour.low_deg for hour in hours), default=0.0)


def float_stuck(
    settings: AlertSettings, batch: Batch, memory: StuckMemory, now: datetime, opened: Opened
) -> Condition | None:
    """The angle does not move although the beer worked when it stopped moving."""
    rule = settings.float_stuck
    raised = opened.get(Kind.FLOAT_STUCK)
    usual = min(memory.usual_spans_deg) if len(memory.usual_spans_deg) >= 2 else 0.0
    limit = max(rule.still_deg, rule.noise_fraction * usual)
    if raised is not None:
        span, in_all = _span(memory.hours[-3:]), _span(memory.hours)
        if span > 2 * limit or (in_all > 4 * limit and raised.since < memory.hours[0].start):
            return ended(f"Float {batch.float_id} moves freely again.", span_deg=round(max(span, in_all), 2))
        if Kind.FERMENTATION_FINISHED in opened:
            return ended("The beer has finished, so the float no longer needs to move.", span_deg=round(span, 2))
        return None
    window = _window(rule.window_h, memory.hours, now)
    if not window or window[0].rate_points_per_day < rule.rate_points_per_day:
        return None
    # While the newest hour moves, the float may just have come free. Mostly it does, and no more need be known.
    lately, count = _whole_span(window[-2:]), sum(hour.count for hour in window)
    if lately > limit or count < rule.readings or (span := max(_span(window[:-1] or window), lately)) > limit:
        return None
    held_h = hours_between(window[0].start, now)
    return Condition(
        active=True,
        severity=Severity.WARNING,
        summary=f"The angle of float {batch.float_id} has kept within {span:.2f} degrees for {held_h:.0f} hours while "
        f"the beer was falling by {window[0].rate_points_per_day:.0f} points a day.",
        evidence={
            "span_deg": round(span, 3),
            "limit_deg": round(limit, 3),
            "usual_span_deg": round(usual, 3) if usual else None,
            "sustained_h": round(held_h, 1),
            "readings": count,
            "rate_before_points_per_day": round(window[0].rate_points_per_day, 1),
        },
    )
