"""The rules of all kinds, put together: one memory that follows the batch, one function a kind that judges it.

The functions live by family in `fermentation_rules`, `temperature_rules`, `drift_rules`, `probe_rules`, `float_rules`,
`battery_rules` and `gravity_rules`. All are pure: what they know of the past is in `Memory`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from alerts import (
    battery_rules,
    drift_rules,
    fermentation_memory,
    fermentation_rules,
    float_rules,
    gravity_rules,
    probe_rules,
    temperature_rules,
    witness,
)
from alerts.alert import Kind
from alerts.conditions import Condition, Observation, Opened
from alerts.settings import AlertSettings
from fermentation.estimate import Estimate
from gylewatch.copying import replace
from gylewatch.values import Batch

__all__ = ["RULES", "AlertSettings", "Condition", "Memory", "Observation", "Rule", "follow"]


@dataclass(frozen=True, kw_only=True)
class Memory:
    """What all rules know of the past: bounded, whatever the length of the batch."""

    clock: datetime | None = None  # latest time seen, of whatever origin
    silence: float_rules.SilenceMemory = field(default_factory=float_rules.SilenceMemory)
    stuck: float_rules.StuckMemory = field(default_factory=float_rules.StuckMemory)
    battery: battery_rules.BatteryMemory = field(default_factory=battery_rules.BatteryMemory)
    range: temperature_rules.RangeMemory = field(default_factory=temperature_rules.RangeMemory)
    drift: drift_rules.DriftMemory = field(default_factory=drift_rules.DriftMemory)
    fermentation: fermentation_memory.FermentationMemory = field(default_factory=fermentation_memory.FermentationMemory)
    gravity: gravity_rules.GravityMemory = field(default_factory=gravity_rules.GravityMemory)
    probe: probe_rules.ProbeMemory = field(default_factory=probe_rules.ProbeMemory)


def follow(
    settings: AlertSettings, batch: Batch, memory: Memory, observation: Observation, opened: Opened
) -> tuple[Memory, Observation]:
    """Take an observation into the memory; returns it without the parts that come too late to be judged.

    A reading not newer than the newest one (late, repeated, out of order), and an estimate older than the newest one,
    have been overtaken: the memory has moved on.
    """
    clock = observation.time if memory.clock is None else max(memory.clock, observation.time)
    reading, estimate = observation.reading, observation.estimate
    if reading is not None and memory.silence.reading_time is not None and reading.time <= memory.silence.reading_time:
        reading = None
    newest = memory.fermentation.time
    if estimate is not None and newest is not None and estimate.time < newest:
        estimate = None
    elif estimate is not None and reading is None and observation.reading is not None:
        estimate = None  # what was concluded from an overtaken reading
    battery, drift, fermentation, gravity = memory.battery, memory.drift, memory.fermentation, memory.gravity
    if estimate is not None:
        battery = battery_rules.follow_forecast(battery, estimate)
        drift = drift_rules.follow_activity(settings, drift, estimate.time, estimate.rate_points_per_day)
        fermentation = fermentation_memory.follow_fermentation(settings, batch, fermentation, estimate, opened)
        gravity = gravity_rules.follow_gravity(settings, batch, gravity, estimate, observation)
        shows_sg = gravity_rules.shown_sg(gravity, estimate)
        shown_at = gravity_rules.float_read_at(estimate, gravity.newest_at)
        seen = witness.follow_witness(settings, fermentation.witness, observation, shows_sg, shown_at)
        fermentation = replace(fermentation, witness=seen)
    silence, stuck, in_range, probe = memory.silence, memory.stuck, memory.range, memory.probe
    if reading is not None:
        in_range = temperature_rules.follow_range(settings, batch, in_range, reading)
        now_c = reading.temperature_c if in_range.now_c is None else in_range.now_c
        silence = float_rules.follow_silence(silence, reading, clock)
        rate = None if estimate is None else estimate.rate_points_per_day if fermentation.started is not None else 0.0
        stuck = float_rules.follow_angle(settings, stuck, reading, rate)
        battery = battery_rules.follow_battery(settings, battery, reading)
        drift = drift_rules.follow_drift(settings, batch, drift, reading.time, now_c)
        probe = probe_rules.follow_float(probe, reading.time, now_c)
    memory = replace(
        memory,
        clock=clock,
        silence=silence,
        stuck=stuck,
        battery=battery,
        range=in_range,
        drift=drift,
        fermentation=fermentation,
        gravity=gravity,
        probe=probe,
    )
    if reading is observation.reading and estimate is observation.estimate:
        return memory, observation
    return memory, replace(observation, reading=reading, estimate=estimate)


Rule = Callable[[AlertSettings, Batch, Memory, Observation, Opened], Condition | None]
"""Judges a memory that has taken the observation in. None: nothing to change."""

_Verdict = Callable[[AlertSettings, Batch, fermentation_memory.FermentationMemory, Estimate, Opened], Condition | None]


def _from_estimate(verdict: _Verdict) -> Rule:
    def rule(
        settings: AlertSettings, batch: Batch, memory: Memory, seen: Observation, opened: Opened
    ) -> Condition | None:
        if seen.estimate is None:
            return None
        return verdict(settings, batch, memory.fermentation, seen.estimate, opened)

    return rule


def _float_silent(
    s: AlertSettings, batch: Batch, memory: Memory, seen: Observation, opened: Opened
) -> Condition | None:
    now, heard_now = memory.clock or seen.time, seen.reading is not None
    return float_rules.float_silent(s, batch, memory.silence, now, opened, heard_now=heard_now)


def _float_stuck(s: AlertSettings, batch: Batch, memory: Memory, seen: Observation, opened: Opened) -> Condition | None:
    if seen.reading is None:
        return None
    return float_rules.float_stuck(s, batch, memory.stuck, seen.reading.time, opened)


def _battery_low(s: AlertSettings, batch: Batch, memory: Memory, seen: Observation, opened: Opened) -> Condition | None:
    if seen.reading is None:
        return None
    return battery_rules.battery_low(s, batch, memory.battery, seen.reading.time, opened)


def _will_not_last(
    s: AlertSettings, batch: Batch, memory: Memory, seen: Observation, opened: Opened
) -> Condition | None:
    if seen.reading is None:
        return None
    return battery_rules.battery_will_not_last(s, batch, memory.battery, seen.reading.time, opened)


def _out_of_range(
    s: AlertSettings, batch: Batch, memory: Memory, seen: Observation, opened: Opened
) -> Condition | None:
    if seen.reading is None:
        return None
    return temperature_rules.temperature_out_of_range(s, batch, memory.range, seen.reading, opened)


def _drift(s: AlertSettings, batch: Batch, memory: Memory, seen: Observation, opened: Opened) -> Condition | None:
    if seen.reading is None:
        return None
    return drift_rules.temperature_drift(s, batch, memory.drift, seen.reading.time, opened)


def _suspect(s: AlertSettings, batch: Batch, memory: Memory, seen: Observation, opened: Opened) -> Condition | None:
    if seen.estimate is None:
        return None
    return gravity_rules.calibration_suspect(s, batch, memory.gravity, seen.estimate, opened)


def _implausible(s: AlertSettings, batch: Batch, memory: Memory, seen: Observation, opened: Opened) -> Condition | None:
    if seen.estimate is None:
        return None
    return gravity_rules.gravity_implausible(s, batch, memory.gravity, seen.estimate, opened)


def _disagrees(s: AlertSettings, batch: Batch, memory: Memory, seen: Observation, opened: Opened) -> Condition | None:
    if seen.reading is None:
        return None
    return probe_rules.thermometers_disagree(s, batch, memory.probe, seen.reading.time, opened)


RULES: tuple[tuple[Kind, Rule], ...] = (
    (Kind.FLOAT_SILENT, _float_silent),
    (Kind.BATTERY_LOW, _battery_low),
    (Kind.BATTERY_WILL_NOT_LAST, _will_not_last),
    (Kind.FLOAT_STUCK, _float_stuck),
    (Kind.TEMPERATURE_DRIFT, _drift),
    (Kind.TEMPERATURE_OUT_OF_RANGE, _out_of_range),
    (Kind.FERMENTATION_FINISHED, _from_estimate(fermentation_rules.fermentation_finished)),
    (Kind.FERMENTATION_STALLED, _from_estimate(fermentation_rules.fermentation_stalled)),
    # After the verdicts, which end them or make them unnecessary.
    (Kind.FERMENTATION_STARTED, _from_estimate(fermentation_rules.fermentation_started)),
    (Kind.ATTENUATION_PLATEAU, _from_estimate(fermentation_rules.attenuation_plateau)),
    (Kind.CALIBRATION_SUSPECT, _suspect),
    (Kind.GRAVITY_IMPLAUSIBLE, _implausible),
)

CAUSE_RULES: tuple[tuple[Kind, str, Rule], ...] = ((Kind.CALIBRATION_SUSPECT, probe_rules.DISAGREE, _disagrees),)
"""Further things that a kind tells. Each is raised, held and ended by itself: what its rule sees as open is its own."""

IMPLIED_BY: Mapping[Kind, tuple[Kind, ...]] = {
    Kind.TEMPERATURE_DRIFT: (Kind.TEMPERATURE_OUT_OF_RANGE,),
    Kind.BATTERY_WILL_NOT_LAST: (Kind.BATTERY_LOW,),
    Kind.FLOAT_STUCK: (Kind.FERMENTATION_FINISHED,),
    Kind.CALIBRATION_SUSPECT: (Kind.GRAVITY_IMPLAUSIBLE,),
    Kind.FERMENTATION_STALLED: (Kind.FERMENTATION_FINISHED,),
    Kind.FERMENTATION_FINISHED: (Kind.FERMENTATION_STALLED,),
    Kind.ATTENUATION_PLATEAU: (Kind.FERMENTATION_FINISHED, Kind.FERMENTATION_STALLED),
}
"""One cause, one alert: the kind on the left is not raised while one on the right is open."""
