"""Temperature drift: a slow departure from the beer's own usual band, found before it leaves the wanted range.

The test is the one-sided cumulative sum of Page (Biometrika 41, 100-115, 1954), once for each direction, over means of
four hours so that a controller's ripple (one to four hours) cancels. The usual band is learnt anew in each plan step.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from alerts.alert import Kind, Severity
from alerts.conditions import NO_STREAK, VERDICT, Condition, Opened, Streak, ended, follow_streak, hours_between
from alerts.temperature_rules import nears_change, step_start
from alerts.thresholds import AlertSettings
from gylewatch.copying import replace
from gylewatch.counting import counted
from gylewatch.values import Batch

_BINS = 24  # hours of hourly means that are kept: one full day, over which a room's daily swing leaves no trend
_SMOOTH = 4  # hours averaged for one value of the test: the longest ripple period
_GAP_H = 6.0  # after a longer silence a trend across it would be invented
_FEWEST = 8  # hourly means below which a slope says nothing
_NEAR_PEAK = 0.8  # of the highest rate so far: the heat of fermentation is still growing, or as good as
_OVER_EDGE_C = 0.1  # beyond the range by the resolution of common sensors
_OVER_EDGE_WORKING_C = 0.2  # and by this where the heat of its work may still be in it
_OVER_EDGE_HEATING_C = 0.4  # and by this where that heat is as great as ever, and may carry it over for a while


@dataclass(frozen=True, kw_only=True)
class DriftMemory:
    """Hourly means of the last day, the usual band and the two sums."""

    step_start: datetime | None = None
    bin_start: datetime | None = None  # of the hour being filled
    bin_sum_c: float = 0.0
    bin_count: int = 0
    means_c: tuple[float, ...] = ()  # full hours, oldest first, at most `_BINS`
    trend_h: int = 0  # how many of the newest of them lie behind the last jump
    jumps: bool = False  # the last four hours differ too much from the four before
    settling: bool = False  # a planned change is being carried out
    learnt_h: int = 0  # hours inside the range in this step, until the band is learnt
    band_c: tuple[float, float] | None = None  # lowest and highest usual four-hour mean
    above_c_h: float = 0.0
    below_c_h: float = 0.0
    peak_points_per_day: float = 0.0
    works: bool = False  # the beer ferments fast enough to warm itself noticeably
    heats: bool = False  # the beer ferments so fast, and ever faster, that it warms itself
    heated: datetime | None = None  # when it last fermented fast enough for that
    departing: int = 0  # +1 warm, -1 cold, 0 none: the verdict at the end of the last full hour
    fresh: bool = False  # an hour has just been completed
    calm: Streak = NO_STREAK


def follow_activity(
    settings: AlertSettings, memory: DriftMemory, now: datetime, rate_points_per_day: float
) -> DriftMemory:
    """Note how fast the beer works, hence whether it warms itself."""
    peak = max(memory.peak_points_per_day, rate_points_per_day)
    works = rate_points_per_day >= settings.temperature_drift.exotherm_points_per_day
    # Past its peak the own heat fades, so a rise of the temperature has another cause.
    heats = works and rate_points_per_day >= _NEAR_PEAK * peak
    if peak == memory.peak_points_per_day and not works and not memory.works:
        return memory  # a beer at rest changes nothing here
    return replace(memory, peak_points_per_day=peak, works=works, heats=heats, heated=now if works else memory.heated)


def follow_drift(
    settings: AlertSettings,
    batch: Batch,
    memory: DriftMemory,
    now: datetime,
    temperature_c: float,
) -> DriftMemory:
    """Take one spike-free temperature into the memory; the test moves on when an hour is full."""
    start = step_start(batch, now)
    if memory.step_start != start or (memory.bin_start is not None and hours_between(memory.bin_start, now) > _GAP_H):
        same_step = memory.step_start == start
        memory = DriftMemory(
            step_start=start,
            band_c=memory.band_c if same_step else None,
            learnt_h=memory.learnt_h if same_step else 0,
            settling=memory.settling if same_step else memory.step_start is not None,
            peak_points_per_day=memory.peak_points_per_day,
            works=memory.works,
            heats=memory.heats,
            heated=memory.heated,
        )
    if memory.bin_start is None:
        return replace(memory, bin_start=now, bin_sum_c=temperature_c, bin_count=1, fresh=False)
    if hours_between(memory.bin_start, now) < 1:
        return replace(memory, bin_sum_c=memory.bin_sum_c + temperature_c, bin_count=memory.bin_count + 1, fresh=False)
    full = replace(
        memory,
        means_c=(*memory.means_c, memory.bin_sum_c / memory.bin_count)[-_BINS:],
        bin_start=now,
        bin_sum_c=temperature_c,
        bin_count=1,
        fresh=True,
    )
    return _test(settings, batch, full, now, hours_between(memory.bin_start, now))


def _test(settings: AlertSettings, batch: Batch, memory: DriftMemory, now: datetime, passed_h: float) -> DriftMemory:
    rule = settings.temperature_drift
    low, high = batch.wanted_temperature_c(now)
    memory = _follow_jump(settings, memory, low, high)
    level = _level_c(memory)
    if memory.settling:
        if memory.step_start is not None and hours_between(memory.step_start, now) < rule.settle_h:
            return memory
        memory = replace(memory, settling=False)
    leaving = _leaves(settings, memory, level - high, low - level)
    if memory.band_c is None or memory.learnt_h < rule.learn_h:
        calm = follow_streak(memory.calm, now, holds=leaving == 0)
        return replace(_learn(memory, level, inside=low <= level <= high), departing=leaving, calm=calm)
    usual_low, usual_high = memory.band_c
    if memory.heats and usual_high < level <= high:
        usual_high = level  # the warmth of its own fermentation is usual as long as the wanted range holds it
    slope = slope_c_per_h(_trend_c(memory))
    # While the beer cools down after its own heat, only what goes beyond the middle of the wanted range counts.
    cools = memory.heated is not None and hours_between(memory.heated, now) < rule.cooling_h
    bound = (low + high) / 2 if cools else high
    above = max(0.0, memory.above_c_h + (level - usual_high - rule.allowance_c) * passed_h)
    below = max(0.0, memory.below_c_h + (usual_low - level - rule.allowance_c) * passed_h)
    if not _is_slow(settings, memory.means_c):
        # A jump is not counted: the other temperature rule reports it.
        above, below = memory.above_c_h, memory.below_c_h
    warm = above >= rule.decision_c_h and slope >= rule.slope_c_per_h
    cold = below >= rule.decision_c_h and slope <= -rule.slope_c_per_h and level < bound
    in_band = usual_low - rule.allowance_c <= level <= usual_high + rule.allowance_c
    departing = int(warm) - int(cold) or leaving
    is_known_still = len(_trend_c(memory)) >= _FEWEST and abs(slope) < rule.slope_c_per_h / 2
    is_calm = departing == 0 and (in_band or is_known_still)
    memory = replace(
        memory,
        band_c=(usual_low, usual_high),
        above_c_h=min(above, 10 * rule.decision_c_h),
        below_c_h=min(below, 10 * rule.decision_c_h),
        departing=departing,
        calm=follow_streak(memory.calm, now, holds=is_calm),
    )
    return _begin_anew(memory, in_band=in_band) if memory.calm.hours(now) >= rule.calm_h else memory


def _follow_jump(settings: AlertSettings, memory: DriftMemory, low_c: float, high_c: float) -> DriftMemory:
    """Let the test begin anew behind a jump, and learn a new band where it led to another place in the wanted range.

    What lies before it would make a trend of it, and what was counted while the beer stood elsewhere would call its
    return a drift.
    """
    rule, means = settings.temperature_drift, memory.means_c
    jump_c = sum(means[-_SMOOTH:]) - sum(means[-2 * _SMOOTH : -_SMOOTH])  # of four-hour means, times their length
    if len(means) >= 2 * _SMOOTH and abs(jump_c) > rule.fast_c_per_h * _SMOOTH**2:
        return replace(memory, trend_h=_SMOOTH, jumps=True, above_c_h=0.0, below_c_h=0.0)
    trend_h = min(memory.trend_h + 1, _BINS)
    if not memory.jumps or memory.band_c is None:
        return replace(memory, trend_h=trend_h, jumps=False)
    level, (usual_low, usual_high) = _level_c(memory), memory.band_c
    is_known = usual_low - rule.allowance_c <= level <= usual_high + rule.allowance_c
    if is_known or not low_c <= level <= high_c:
        return replace(memory, trend_h=trend_h, jumps=False)
    return replace(memory, trend_h=trend_h, jumps=False, band_c=None, learnt_h=0)


def _begin_anew(memory: DriftMemory, *, in_band: bool) -> DriftMemory:
    """After a departure that is over the test begins anew, as Page's does after each alarm.

    Where the beer has settled elsewhere it is at home there: the old band would call each swing a drift, for ever.
    """
    memory = replace(memory, above_c_h=0.0, below_c_h=0.0)
    if in_band:
        return memory
    means = _trend_c(memory)
    levels = [sum(means[i : i + _SMOOTH]) / _SMOOTH for i in range(len(means) - _SMOOTH + 1)]
    return replace(memory, band_c=(min(levels), max(levels)))


def _leaves(settings: AlertSettings, memory: DriftMemory, over_c: float, under_c: float) -> int:
    """+1 or -1 where a slow trend is just carrying the beer over the edge of the wanted range.

    This needs no learnt band, so it finds a drift that began while the band was learnt or while the beer warmed itself.
    The trend of the last hours must agree, or a beer that slightly overshot a planned change would be meant.
    """
    rule = settings.temperature_drift
    if memory.learnt_h < rule.learn_h / 2 or not _is_slow(settings, memory.means_c):
        return 0
    trend = _trend_c(memory)
    slopes = (slope_c_per_h(trend), slope_c_per_h(trend[-_FEWEST:]))
    most_c = _OVER_EDGE_HEATING_C if memory.heats else _OVER_EDGE_WORKING_C if memory.works else _OVER_EDGE_C
    if over_c > most_c and min(slopes) >= rule.slope_c_per_h:
        return 1
    return -1 if under_c > _OVER_EDGE_C and max(slopes) <= -rule.slope_c_per_h else 0


def _learn(memory: DriftMemory, level: float, *, inside: bool) -> DriftMemory:
    if not inside and memory.band_c is None:
        return memory  # still on its way to the wanted range
    low, high = memory.band_c or (level, level)
    if inside:
        low, high = min(low, level), max(high, level)
    return replace(memory, band_c=(low, high), learnt_h=memory.learnt_h + 1)


def _is_slow(settings: AlertSettings, means_c: tuple[float, ...]) -> bool:
    recent = means_c[-_SMOOTH:]
    return abs(recent[-1] - recent[0]) <= settings.temperature_drift.fast_c_per_h * max(len(recent) - 1, 1)


def _trend_c(memory: DriftMemory) -> tuple[float, ...]:
    return memory.means_c[max(len(memory.means_c) - memory.trend_h, 0) :]


def _level_c(memory: DriftMemory) -> float:
    recent = memory.means_c[-_SMOOTH:]
    return sum(recent) / len(recent)


def slope_c_per_h(means_c: tuple[float, ...]) -> float:
    """Least-squares slope of hourly means, C/h; 0 where there are too few to say."""
    n = len(means_c)
    if n < _FEWEST:
        return 0.0
    centre = (n - 1) / 2
    mean = sum(means_c) / n
    return sum((i - centre) * (c - mean) for i, c in enumerate(means_c)) / (n * (n * n - 1) / 12)


def temperature_drift(
    settings: AlertSettings, batch: Batch, memory: DriftMemory, now: datetime, opened: Opened
) -> Condition | None:
    """The temperature creeps away from where it used to be, and away from the middle of the wanted range."""
    if Kind.TEMPERATURE_DRIFT in opened:
        return _drift_over(settings, batch, memory, now, opened)
    if not memory.fresh or memory.departing == 0 or memory.band_c is None or nears_change(settings, batch, now):
        return None
    low, high = batch.wanted_temperature_c(now)
    level = _level_c(memory)
    slope = slope_c_per_h(_trend_c(memory))
    edge = high if memory.departing > 0 else low
    hours_left = max(0.0, (edge - level) / slope)
    word = "up" if memory.departing > 0 else "down"
    return Condition(
        active=True,
        severity=Severity.WARNING,
        summary=f"The temperature creeps {word} by {abs(slope):.2f} °C an hour, to {level:.1f} °C; "
        f"it was {memory.band_c[0]:.1f} to {memory.band_c[1]:.1f} °C before. {_until_edge(hours_left, low, high)}",
        evidence={
            "temperature_c": round(level, 2),
            "usual_low_c": round(memory.band_c[0], 2),
            "usual_high_c": round(memory.band_c[1], 2),
            "slope_c_per_h": round(slope, 4),
            "sum_c_h": round(max(memory.above_c_h, memory.below_c_h), 2),
            "decision_c_h": settings.temperature_drift.decision_c_h,
            "wanted_low_c": low,
            "wanted_high_c": high,
            "hours_to_edge": round(hours_left, 1),
        },
    )


def _until_edge(hours_left: float, low_c: float, high_c: float) -> str:
    wanted = f"the wanted {low_c:g} to {high_c:g} °C"
    if hours_left < 0.5:
        return f"It is leaving {wanted}."
    return f"So it leaves {wanted} in about {counted(round(hours_left), 'hour')}."


def _drift_over(
    settings: AlertSettings, batch: Batch, memory: DriftMemory, now: datetime, opened: Opened
) -> Condition | None:
    if step_start(batch, now) > opened[Kind.TEMPERATURE_DRIFT].since:
        return ended("A planned change of temperature has begun; the drift before it no longer counts.")
    if memory.calm.since is not None and memory.calm.hours(now) >= settings.temperature_drift.calm_h:
        calm_h, slope = memory.calm.hours(now), slope_c_per_h(_trend_c(memory))
        steady = f"The beer has kept steady for {calm_h:.0f} hours at {_level_c(memory):.1f} °C"
        if Kind.TEMPERATURE_OUT_OF_RANGE in opened:
            verdict = {VERDICT: Kind.TEMPERATURE_OUT_OF_RANGE.value}
            return ended(f"{steady}, out of its range.", slope_c_per_h=round(slope, 4), **verdict)
        return ended(f"{steady}.", slope_c_per_h=round(slope, 4))
    return None
