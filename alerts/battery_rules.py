"""Battery: low by its chemistry, or not going to last as long as the beer.

The levels are common practice, no source: cells differ by make, load and cold. Set your own where you know better.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import combinations
from types import MappingProxyType
from typing import NamedTuple

from alerts.alert import Evidence, Kind, Severity
from alerts.conditions import (
    NO_STREAK,
    Condition,
    Opened,
    Streak,
    ended,
    follow_streak,
    hours_between,
    middle,
)
from alerts.thresholds import AlertSettings
from fermentation.estimate import Estimate
from gylewatch.copying import replace
from gylewatch.values import Batch, Reading, utc_text

_NEWEST = 9  # voltages of which the median is taken: transmit pulses and radio faults spoil single ones
_BLOCK_H = 6.0  # one point of the trend: day and night average out over four of them
_JUMP_PERCENT = 15.0  # no cell recovers that much by rest or warmth
_BLOCKS = 32  # eight days; older voltages say little of how steeply it falls now


@dataclass(frozen=True, slots=True, kw_only=True)
class Chemistry:
    """What is known of a kind of battery, in volts at its terminals."""

    highest_v: float  # the highest voltage it can show; the next chemistry begins above
    low_v: float  # about a tenth of the charge is left
    empty_v: float  # floats fall silent here


CHEMISTRIES: Mapping[str, Chemistry] = MappingProxyType(
    {
        "alkaline-1": Chemistry(highest_v=1.75, low_v=1.15, empty_v=1.0),
        "nimh-2": Chemistry(highest_v=2.95, low_v=2.35, empty_v=2.1),
        # Two alkaline cells or one lithium primary cell: the voltage does not tell which. The alkaline pair is by
        # then at a quarter; the lithium cell, flat until its end, close to it.
        "three-volt": Chemistry(highest_v=3.45, low_v=2.5, empty_v=2.2),
        "li-ion": Chemistry(highest_v=4.35, low_v=3.5, empty_v=3.3),
        "alkaline-3": Chemistry(highest_v=5.2, low_v=3.6, empty_v=3.1),
    }
)


@dataclass(frozen=True, kw_only=True)
class BatteryMemory:
    newest_v: tuple[float, ...] = ()  # at most `_NEWEST`
    highest_v: float | None = None  # highest median so far: tells the chemistry
    percent: float | None = None
    low: Streak = NO_STREAK
    fine: Streak = NO_STREAK
    finish_time: datetime | None = None  # newest forecast
    block_start: datetime | None = None
    block_v: tuple[float, ...] = ()  # medians within the block that is being filled, thinned
    blocks: tuple[tuple[datetime, float], ...] = ()  # (middle of the block, voltage), at most `_BLOCKS`
    fresh: bool = False  # a block has just been completed


def chemistry_of(settings: AlertSettings, highest_v: float) -> tuple[str, Chemistry]:
    """The chemistry the user has set, or the one that the highest voltage seen points to."""
    name = settings.battery_low.chemistry
    if name == "auto":
        name = next((n for n, c in CHEMISTRIES.items() if highest_v <= c.highest_v), "alkaline-3")
    return name, CHEMISTRIES[name]


def battery_v(memory: BatteryMemory) -> float | None:
    """The newest voltage, free of single bad ones."""
    return _settled_v(memory.newest_v)


def _settled_v(newest_v: tuple[float, ...]) -> float | None:
    return middle(newest_v) if len(newest_v) >= 3 else None


def follow_battery(settings: AlertSettings, memory: BatteryMemory, reading: Reading) -> BatteryMemory:
    """Take one reading, newer than all before, into the memory."""
    volts, now = reading.battery_v, reading.time
    percent = memory.percent if reading.battery_percent is None else reading.battery_percent
    if volts is None and reading.battery_percent is None:
        return replace(memory, fresh=False)
    newest = memory.newest_v if volts is None else (*memory.newest_v, volts)[-_NEWEST:]
    now_v, highest, trend = _settled_v(newest), memory.highest_v, _trend_of(memory)
    if volts is not None and now_v is not None:
        if highest is None:
            trend = _NO_TREND  # of the per cent that came alone before
        highest = now_v if highest is None else max(highest, now_v)
        trend = _follow_trend(trend, now, now_v, _jump_v(highest))
    elif not newest and reading.battery_percent is not None:
        trend = _follow_trend(trend, now, reading.battery_percent, _JUMP_PERCENT)
    low, fine = _levels(settings, now_v, highest, percent)
    return replace(
        memory,
        newest_v=newest,
        highest_v=highest,
        percent=percent,
        low=follow_streak(memory.low, now, holds=low),
        fine=follow_streak(memory.fine, now, holds=fine),
        block_start=trend.block_start,
        block_v=trend.block_v,
        blocks=trend.blocks,
        fresh=trend.fresh,
    )


class _Trend(NamedTuple):
    """What `BatteryMemory` holds of how the voltage falls; the per cent of a float that reports no voltage."""

    block_start: datetime | None
    block_v: tuple[float, ...]
    blocks: tuple[tuple[datetime, float], ...]
    fresh: bool


_NO_TREND = _Trend(None, (), (), fresh=False)


def _trend_of(memory: BatteryMemory) -> _Trend:
    return _Trend(memory.block_start, memory.block_v, memory.blocks, fresh=False)


def _follow_trend(trend: _Trend, now: datetime, level: float, jump: float) -> _Trend:
    start, block_v, blocks, _ = trend
    if start is None:
        return trend._replace(block_start=now, block_v=(level,))
    if hours_between(start, now) < _BLOCK_H:
        # Medians of nine that are taken minute by minute say the same; a few an hour are plenty.
        due = hours_between(start, now) >= len(block_v) * 0.25
        return trend._replace(block_v=(*block_v, level)) if due else trend
    block = (start + timedelta(hours=_BLOCK_H / 2), middle(block_v))
    if blocks and block[1] - blocks[-1][1] > jump:
        blocks = ()  # another or a recharged battery: its trend begins here
    return _Trend(block_start=now, block_v=(level,), blocks=(*blocks, block)[-_BLOCKS:], fresh=True)


def _jump_v(highest_v: float) -> float:
    return 0.05 * highest_v  # no cell recovers that much by rest or warmth


def _levels(
    settings: AlertSettings, now_v: float | None, highest_v: float | None, percent: float | None
) -> tuple[bool, bool]:
    """Whether the battery is low, and whether it is fine."""
    rule = settings.battery_low
    if now_v is not None and highest_v is not None:
        low_v = low_level_v(settings, highest_v)
        return now_v <= low_v, now_v > low_v + rule.hysteresis_v
    if percent is not None:
        return percent <= rule.low_percent, percent > rule.low_percent + 5
    return False, False


def low_level_v(settings: AlertSettings, highest_v: float) -> float:
    """The voltage at or below which the battery counts as low."""
    given = settings.battery_low.low_v
    return chemistry_of(settings, highest_v)[1].low_v if given is None else given


def battery_low(
    settings: AlertSettings, batch: Batch, memory: BatteryMemory, now: datetime, opened: Opened
) -> Condition | None:
    """The battery is near its end, whatever the beer does."""
    rule, is_open = settings.battery_low, Kind.BATTERY_LOW in opened
    if is_open and (memory.fine.since is None or memory.fine.hours(now) < rule.sustained_h):
        return None
    if not is_open and (memory.low.count < 2 or memory.low.hours(now) < rule.sustained_h):
        return None
    now_v = battery_v(memory)
    reading = f"{memory.percent:.0f} %" if now_v is None and memory.percent is not None else f"{now_v or 0:.2f} V"
    if is_open:
        return ended(f"The battery of float {batch.float_id} is fine again at {reading}.", battery_v=now_v)
    evidence: Evidence = {"battery_percent": memory.percent, "sustained_h": round(memory.low.hours(now), 1)}
    level = f"{rule.low_percent:g} %"
    if now_v is not None and memory.highest_v is not None:
        low_v = low_level_v(settings, memory.highest_v)
        level = f"{low_v:g} V"
        evidence = {
            "battery_v": round(now_v, 3),
            "low_v": low_v,
            "highest_v": round(memory.highest_v, 3),
            "chemistry": chemistry_of(settings, memory.highest_v)[0],
            **evidence,
        }
    return Condition(
        active=True,
        severity=Severity.WARNING,
        summary=f"The battery of float {batch.float_id} is down to {reading}; the level to act at is {level}.",
        evidence=evidence,
    )


def follow_forecast(memory: BatteryMemory, estimate: Estimate) -> BatteryMemory:
    """Note when the beer is expected to be done."""
    finish = None if estimate.forecast is None else estimate.forecast.finish_time
    return memory if finish is None or finish == memory.finish_time else replace(memory, finish_time=finish)


def batch_end(settings: AlertSettings, batch: Batch, forecast: datetime | None) -> tuple[datetime, str]:
    """When the float is no longer needed, and what says so: the forecast, the plan, or the usual length of a batch."""
    planned = batch.plan[-1].start if batch.plan else None
    if forecast is not None and (planned is None or forecast >= planned):
        return forecast, "forecast"
    if planned is not None:
        return planned, "plan"
    return batch.pitched + timedelta(days=settings.battery_will_not_last.usual_batch_days), "usual length"


def discharge(blocks: tuple[tuple[datetime, float], ...]) -> tuple[float, float]:
    """Volts lost an hour: the median slope over all pairs, and one that three quarters of the pairs exceed.

    Source of the median slope: Theil (Proc. K. Ned. Akad. Wet. 53, 1950) and Sen (J. Am. Stat. Assoc. 63, 1968).
    """
    # Pairs closer than a day compare noise; they are many and would outvote the rest.
    losses = sorted(
        (before[1] - after[1]) / hours
        for before, after in combinations(blocks, 2)
        if (hours := hours_between(before[0], after[0])) >= 18
    )
    if not losses:
        return 0.0, 0.0
    return middle(losses), losses[len(losses) // 4]


class _Gauge(NamedTuple):
    """By what the charge is told: volts, or per cent where a float reports nothing else."""

    now: float
    empty: float
    fall: float  # that makes a trend
    cautious_loss: float  # an hour
    evidence: Evidence


def _gauge(settings: AlertSettings, memory: BatteryMemory) -> _Gauge | None:
    rule = settings.battery_will_not_last
    if not memory.blocks:
        return None
    loss, cautious_loss = discharge(memory.blocks)
    if memory.highest_v is not None:
        chemistry, levels = chemistry_of(settings, memory.highest_v)
        empty_v = levels.empty_v if rule.empty_v is None else rule.empty_v
        now_v = battery_v(memory) or memory.blocks[-1][1]
        evidence: Evidence = {
            "battery_v": round(now_v, 3),
            "empty_v": empty_v,
            "chemistry": chemistry,
            "loss_mv_per_day": round(loss * 24000, 1),
            "cautious_loss_mv_per_day": round(cautious_loss * 24000, 1),
        }
        return _Gauge(now_v, empty_v, rule.fall_v, cautious_loss, evidence)
    if memory.percent is None:
        return None
    evidence = {
        "battery_percent": memory.percent,
        "loss_percent_per_day": round(loss * 24, 1),
        "cautious_loss_percent_per_day": round(cautious_loss * 24, 1),
    }
    return _Gauge(memory.percent, 0.0, rule.fall_percent, cautious_loss, evidence)


def battery_will_not_last(
    settings: AlertSettings, batch: Batch, memory: BatteryMemory, now: datetime, opened: Opened
) -> Condition | None:
    """At the present rate of discharge the battery is empty before the beer is done."""
    rule = settings.battery_will_not_last
    gauge = _gauge(settings, memory) if memory.fresh else None
    if gauge is None:
        return None
    raised = opened.get(Kind.BATTERY_WILL_NOT_LAST)
    end, end_from = batch_end(settings, batch, memory.finish_time)
    watched_h = hours_between(memory.blocks[0][0], now)
    hours_left = max(0.0, gauge.now - gauge.empty) / gauge.cautious_loss if gauge.cautious_loss > 1e-6 else 1e5
    lasts_until = now + timedelta(hours=min(hours_left, 1e5))
    evidence: Evidence = {
        **gauge.evidence,
        "lasts_until": utc_text(lasts_until, "minutes"),
        "needed_until": utc_text(end, "minutes"),
        "needed_until_from": end_from,
        "watched_h": round(watched_h, 1),
    }
    if raised is not None:
        over = _why_over(end, lasts_until, now, timedelta(hours=rule.margin_h), renewed=len(memory.blocks) < 3)
        return None if over is None else ended(f"Float {batch.float_id}: {over}.", **evidence)
    fell = memory.blocks[0][1] - gauge.now
    if watched_h < rule.watched_h or fell < gauge.fall or end <= now or lasts_until >= end:
        return None
    days = hours_between(now, lasts_until) / 24
    return Condition(
        active=True,
        severity=Severity.WARNING,
        summary=f"The battery of float {batch.float_id} will be empty in about {days:.1f} days, before the beer is "
        f"expected to be done in {hours_between(now, end) / 24:.1f} days.",
        evidence=evidence,
    )


def _why_over(end: datetime, lasts_until: datetime, now: datetime, margin: timedelta, *, renewed: bool) -> str | None:
    if renewed:
        return "another or a recharged battery is in place"
    if end <= now:
        return "the battery has outlasted the fermentation"
    return "the battery now lasts beyond the end of the batch" if lasts_until > end + margin else None
