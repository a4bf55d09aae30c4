"""How right and how early alerts were on simulated brews."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from benchmarks.scores import Event, Judged
from tests.simulator.beer import FloatArray

MINIMUM_STALL_H = 36.0
# A shorter pause is not told apart from a slow day, and nobody acts on it.
SETTLING_H = 48.0
# After a planned change the vessel is given two days to arrive.
WARMING_UP_H = 12.0
# The wort is pitched a little too warm or too cold.


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """Something that had to be told: from `start_h` on, at the latest by `end_h`."""

    start_h: float
    end_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What the truth says about one kind: what was due, and whether an alert at an hour is false."""

    kind: str
    due: Callable[[Judged], Iterator[Due]]
    is_false: Callable[[Judged, float], bool]


@dataclass(slots=True, kw_only=True)
class Tally:
    """Counts of one kind over many brews."""

    due: int = 0
    told: int = 0
    false: int = 0
    false_seeds: list[int] = field(default_factory=list)
    missed_seeds: list[int] = field(default_factory=list)
    delays_h: list[float] = field(default_factory=list)


def _last_reading_h(brew: Judged) -> float:
    return float(brew.heard_h.max())


def _started(brew: Judged) -> Iterator[Due]:
    if brew.truth.started_h + 24.0 <= _last_reading_h(brew):
        yield Due(start_h=brew.truth.started_h, end_h=np.inf)


def _started_falsely(brew: Judged, at_h: float) -> bool:
    truth = brew.truth
    return bool((truth.original_gravity_sg - truth.at(truth.gravity_sg, at_h)) * 1000.0 < 0.5)


def _finished(brew: Judged) -> Iterator[Due]:
    finished_h = brew.truth.finished_h
    # Half a point short of the range already counts as an attenuation in it: nobody reads closer.
    low = brew.batch.expected_attenuation[0] - 0.5e-3 / (brew.truth.original_gravity_sg - 1.0)
    reached = 1.0 - (brew.truth.final_gravity_sg - 1.0) / (brew.truth.original_gravity_sg - 1.0)
    if finished_h is not None and reached >= low and finished_h + 72.0 <= _last_reading_h(brew):
        yield Due(start_h=finished_h, end_h=np.inf)


def _finished_falsely(brew: Judged, at_h: float) -> bool:
    truth = brew.truth
    left_points = (truth.at(truth.gravity_sg, at_h) - truth.final_gravity_sg) * 1000.0
    return bool(truth.is_stalled or left_points > 1.0)


def _stalled(brew: Judged) -> Iterator[Due]:
    truth = brew.truth
    if truth.stalled_h is not None:
        end_h = min(truth.restarted_h or np.inf, _last_reading_h(brew))
        if end_h - truth.stalled_h >= MINIMUM_STALL_H:
            yield Due(start_h=truth.stalled_h - 6.0, end_h=end_h + 12.0)


def _stalled_falsely(brew: Judged, at_h: float) -> bool:
    truth = brew.truth
    if truth.stalled_h is None:
        return True
    return not truth.stalled_h - 6.0 <= at_h <= (truth.restarted_h or np.inf) + 12.0


def _outside_c(brew: Judged) -> FloatArray:
    """How far the true temperature is where the plan does not want it, (n,) over the truth's hours.

    After a planned change, and after pitching, the beer is on its way for `SETTLING_H` (`WARMING_UP_H`) or until it is
    inside the new range: meanwhile everything between where it was and that range is as it should be. Beyond that, as
    below the range of a cold crash, it is outside at any time.
    """
    truth = brew.truth
    outside = np.zeros(truth.time_h.size)
    starts = [(0.0, WARMING_UP_H, brew.batch.temperature_c)]
    starts += [(brew.hours(step.start), SETTLING_H, step.temperature_c) for step in brew.batch.plan]
    for start_h, settling_h, (low, high) in starts:
        begun = truth.time_h >= start_h
        if not begun.any():
            continue
        inside = (truth.temperature_c >= low) & (truth.temperature_c <= high)
        on_its_way = begun & ~np.logical_or.accumulate(begun & inside) & (truth.time_h < start_h + settling_h)
        from_c = float(truth.temperature_c[np.argmax(begun)])
        least, most = np.where(on_its_way, min(low, from_c), low), np.where(on_its_way, max(high, from_c), high)
        beyond = np.maximum(np.maximum(least - truth.temperature_c, truth.temperature_c - most), 0.0)
        outside = np.where(begun, beyond, outside)
    return outside


def _too_warm_or_cold(brew: Judged) -> Iterator[Due]:
    time_h, far = brew.truth.time_h, _outside_c(brew) > 1.0
    last_h = _last_reading_h(brew)
    edges = np.flatnonzero(np.diff(far.astype(int), prepend=0, append=0))
    # Only the first: one cause, one alert.
    for first, behind in list(zip(edges[::2], edges[1::2], strict=True))[:1]:
        start_h, end_h = float(time_h[first]), float(time_h[behind - 1])
        if end_h - start_h >= 8.0 and start_h + 8.0 <= last_h:
            yield Due(start_h=start_h - 24.0, end_h=end_h + 2.0)


def _outside_falsely(brew: Judged, at_h: float) -> bool:
    """An alert is right if the beer was truly outside by 0.1 C or more for an hour of the last twelve.

    The float's own thermometer errs by a little, so one that is just outside and goes on to a departure that has to be
    told is told early, not falsely.
    """
    truth, outside = brew.truth, _outside_c(brew)
    recent = (truth.time_h > at_h - 12.0) & (truth.time_h <= at_h)
    hours_outside = float((outside[recent] >= 0.1).sum()) * (truth.time_h[1] - truth.time_h[0])
    goes_on = any(due.start_h <= at_h <= due.end_h for due in _too_warm_or_cold(brew))
    return bool(hours_outside < 0.95 and not (goes_on and truth.at(outside, at_h) > 0.0))


def _drift(brew: Judged) -> Iterator[Due]:
    start_h = brew.truth.temperature_failure_h
    if start_h is None or start_h + 72.0 > _last_reading_h(brew) or not brew.drifts:
        return
    truth = brew.truth
    moved = np.abs(truth.at(truth.temperature_c, start_h + 48.0) - truth.at(truth.temperature_c, start_h))
    if moved > 1.0 and not any(start_h - 48.0 < brew.hours(s.start) < start_h + 48.0 for s in brew.batch.plan):
        yield Due(start_h=start_h, end_h=np.inf)


def _drifts_falsely(brew: Judged, at_h: float) -> bool:
    """No drift if the temperature stood within 0.6 C over the two days before, or a plan was settling."""
    truth = brew.truth
    if any(-1.0 <= at_h - brew.hours(step.start) < SETTLING_H for step in brew.batch.plan):
        return True
    recent = truth.temperature_c[(truth.time_h > at_h - 48.0) & (truth.time_h <= at_h + 0.5)]
    return bool(np.ptp(recent) < 0.6)


def _silences(brew: Judged) -> FloatArray:
    """Starts and ends (k, 2) of what was not heard for 6 hours or longer, in hours."""
    heard = np.sort(brew.heard_h)
    gap = np.flatnonzero(np.diff(heard) >= max(6.0, 8.0 * brew.interval_h))
    return np.column_stack([heard[gap], heard[gap + 1]])


def _silent(brew: Judged) -> Iterator[Due]:
    for start_h, end_h in _silences(brew).tolist():
        yield Due(start_h=start_h, end_h=end_h)


def _silent_falsely(brew: Judged, at_h: float) -> bool:
    heard = brew.heard_h
    before = heard[heard <= at_h]
    return before.size > 0 and at_h - float(before.max()) < max(2.0, 3.0 * brew.interval_h)


def _battery(brew: Judged) -> Iterator[Due]:
    if brew.battery == "dies":
        yield Due(start_h=0.0, end_h=_last_reading_h(brew))


RULES = (
    Rule(kind="fermentation-started", due=_started, is_false=_started_falsely),
    Rule(kind="fermentation-finished", due=_finished, is_false=_finished_falsely),
    Rule(kind="fermentation-stalled", due=_stalled, is_false=_stalled_falsely),
    Rule(kind="temperature-out-of-range", due=_too_warm_or_cold, is_false=_outside_falsely),
    Rule(kind="temperature-drift", due=_drift, is_false=_drifts_falsely),
    Rule(kind="float-silent", due=_silent, is_false=_silent_falsely),
    Rule(kind="battery-low", due=_battery, is_false=lambda brew, at_h: brew.battery in {"full", "unreported"}),
)


def tally(cases: Sequence[tuple[Judged, tuple[Event, ...]]]) -> dict[str, Tally]:
    """Count, for each kind, what was due, told in time, and told falsely."""
    counts = {rule.kind: Tally() for rule in RULES}
    for brew, events in cases:
        for rule in RULES:
            _count(rule, brew, events, counts[rule.kind])
    return counts


def _count(rule: Rule, brew: Judged, events: tuple[Event, ...], count: Tally) -> None:
    raised = [event.time_h for event in events if event.kind == rule.kind and event.resolves is None]
    for due in rule.due(brew):
        count.due += 1
        in_time = [at_h for at_h in raised if at_h <= due.end_h and not rule.is_false(brew, at_h)]
        in_time = [at_h for at_h in in_time if rule.kind != "float-silent" or at_h >= due.start_h]
        if in_time:
            count.told += 1
            count.delays_h.append(min(in_time) - due.start_h)
        else:
            count.missed_seeds.append(brew.seed)
    wrong = sum(rule.is_false(brew, at_h) for at_h in raised)
    if wrong:
        count.false += wrong
        count.false_seeds.append(brew.seed)
