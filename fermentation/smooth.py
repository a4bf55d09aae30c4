"""The causal filter: one reading or hand sample at a time, from belief to belief.

Nothing here looks ahead: `step(belief, gravity)` uses what `belief` holds and the reading, so that a prefix of the
readings gives a prefix of the estimates. Dense readings are joined to one robust mean every `BIN_MINUTES` first.
"""

from __future__ import annotations

from datetime import datetime
from enum import IntEnum
from functools import partial
from math import exp, hypot, sqrt
from statistics import median

import numpy as np

from calibration.curve import GravityReading
from calibration.hydrometry import HandGravity
from fermentation import additions, evidence, foam, kinetics
from fermentation.belief import (
    FOAM,
    MODES,
    OFFSET,
    SHORT,
    THERMAL,
    Belief,
    Cloud,
    FloatArray,
    Pending,
    cloud_of,
    hours,
)
from fermentation.estimate import Estimate
from fermentation.gravity import gravity_rows
from fermentation.motion import draw_changes, effective_k, pace_of, pass_time
from fermentation.prior import endings, renewal, seed_cloud
from fermentation.summary import summarise
from gylewatch.copying import replace
from gylewatch.units import POINT_SG, points_from_sg
from gylewatch.values import Addition, Batch

BIN_MINUTES = 10.0
# Readings closer together than this are joined: slosh and bubbles last minutes, so they add little to each other
BIN_MEMBERS = 60
LATE_HOURS = 6.0
# A late reading this old still helps; the belief is carried back along its own rate. Older ones are stored, not used
START_NOISE_POINTS = 0.9
NOISE_RANGE_POINTS = (0.08, 8.0)
NOISE_GAIN = 0.06
# The learnt scatter follows the last few dozen readings: slosh comes and goes with the CO2
MODES_HOURS = 3.0
# The curve's error modes are taken where the float was over the last hours, this reading left out: taken at its own
# angle they would share its noise, and the filter would explain that noise away by bending the curve
MISFIT_MEMORY = 0.5
EARLY_SAMPLES = 8
STUCK_READINGS, STUCK_SPAN, FREE_SPAN = 6, 0.4, 1.0
# A float on the wall stops rocking: when the last readings span less than four tenths of the usual scatter (normal
# errors span 2.5 of it) they say nothing about the beer and are left out, until it rocks again. It is the angle that
# stands: what is reckoned from it follows the temperature
STUCK_NOISE_GAIN = 0.01
# Slow: a float that sticks for a night must not teach the filter that it reads without scatter. And downwards only:
# that the beer falls away from it says nothing of its scatter, and a larger one would hold it to be stuck for longer
DRAW_HOURS = 0.9
# Sudden changes are days apart: drawing them at every reading would only take time
LONGEST_STEP_HOURS = 12.0
# The switching and drift of a long silence are applied in steps of this length


def start(batch: Batch) -> Belief:
    """The belief at pitching, before any reading."""
    return Belief(
        batch=batch,
        time=batch.pitched,
        step=0,
        cloud=None,
        early=(),
        pending=Pending(),
        first_points=0.0,
        noise_points=START_NOISE_POINTS,
        temperature_c=sum(batch.temperature_c) / 2.0,
        reference_c=sum(batch.temperature_c) / 2.0,
        warmest_c=sum(batch.temperature_c) / 2.0,
        additions_done=0,
        modes_points=(),
        recent_deg=(),
        stuck=False,
        misfit=0.0,
        finished_at=None,
        finish=None,
        forecast_at=None,
        undrawn_hours=0.0,
    )


def step(belief: Belief, gravity: GravityReading) -> tuple[Belief, Estimate | None]:
    """Take one reading of the float.

    Returns
    -------
    the new belief, and the estimate at the reading's time; None for a reading that was joined to a bin, came late, or
    lies before pitching.
    """
    if gravity.time < belief.batch.pitched:
        return belief, None
    value = points_from_sg(gravity.gravity_sg)
    if belief.cloud is None:
        belief = _born(belief, gravity, value)
    elif gravity.time <= belief.time:
        return _take_late(belief, gravity, value), None
    elif hours(gravity.time - belief.time) * 60.0 < BIN_MINUTES:
        return replace(belief, pending=_held(belief.pending, value, gravity.temperature_c)), None
    held = _held(belief.pending, value, gravity.temperature_c)
    elapsed = hours(gravity.time - belief.time)
    belief = _carry(belief, gravity.time, median(held.temperature_c))
    belief = _learn(belief, gravity, median(held.gravity_points), elapsed_hours=elapsed)
    return summarise(replace(belief, pending=Pending(), modes_points=_followed_modes(belief, gravity, elapsed)))


def _followed_modes(belief: Belief, gravity: GravityReading, elapsed_hours: float) -> tuple[float, ...]:
    follow = 1.0 - exp(-elapsed_hours / MODES_HOURS)
    pairs = zip(belief.modes_points, gravity.modes_sg, strict=True)
    return tuple([old + follow * (new / POINT_SG - old) for old, new in pairs])


def observe_sample(belief: Belief, sample: HandGravity) -> tuple[Belief, Estimate | None]:
    """Take one hand sample: a measurement of the gravity itself, free of the float's errors.

    Returns
    -------
    the new belief, and the estimate now; None before the float's first reading, until which the sample is kept.
    """
    if sample.time < belief.batch.pitched:
        return belief, None
    points, sd_points = points_from_sg(sample.gravity_sg), sample.sd_sg / POINT_SG
    if belief.cloud is None:
        early = (*belief.early, (sample.time, points, sd_points))
        return replace(belief, early=early[-EARLY_SAMPLES:]), None
    if sample.time > belief.time:
        belief = _carry(belief, sample.time, belief.temperature_c)
    return summarise(_take_sample(belief, sample.time, points, sd_points))


def _take_sample(belief: Belief, time: datetime, points: float, sd_points: float) -> Belief:
    cloud = cloud_of(belief)
    late_hours = max(hours(belief.time - time), 0.0)
    expected, rows = gravity_rows(cloud, _carried_back(belief, min(late_hours, 24.0)))
    sd = hypot(sd_points, 0.02 * late_hours)
    measured = evidence.innovation(cloud, expected, rows, points)
    squared = evidence.squared_surprise(cloud, measured, sd)
    misfit = belief.misfit + MISFIT_MEMORY * (squared - belief.misfit)
    if evidence.is_suspicious(cloud, measured, sd):
        # What is believed of the end is widened beyond its prior, which thus no longer governs it.
        cloud = replace(cloud, renewed=np.ones_like(cloud.renewed))
    shifts = partial(evidence.astray, measured)
    cloud = evidence.take(cloud, measured, sd=sd, scatter=evidence.SAMPLE_SCATTER, shifts=shifts)
    return replace(belief, misfit=misfit, forecast_at=None, cloud=_chosen(belief, cloud), step=belief.step + 1)


def _born(belief: Belief, gravity: GravityReading, value: float) -> Belief:
    warm = gravity.temperature_c
    cloud = seed_cloud(belief.batch, value, warm, len(gravity.modes_sg), _generator(belief))
    modes = tuple(mode / POINT_SG for mode in gravity.modes_sg)
    early = belief.early
    belief = replace(
        belief,
        cloud=cloud,
        step=belief.step + 1,
        early=(),
        modes_points=modes,
        first_points=value,
        temperature_c=warm,
        reference_c=warm,
        warmest_c=warm,
    )
    for time, points, sd_points in early:
        belief = _take_sample(_carry(belief, max(time, belief.time), warm), time, points, sd_points)
    return belief


def _held(pending: Pending, value: float, temperature_c: float) -> Pending:
    if pending.seen >= BIN_MEMBERS and pending.seen % 8:  # keeps memory bounded and still spans the bin
        return replace(pending, seen=pending.seen + 1)
    return Pending(
        gravity_points=(*pending.gravity_points[-(BIN_MEMBERS - 1) :], value),
        temperature_c=(*pending.temperature_c[-(BIN_MEMBERS - 1) :], temperature_c),
        seen=pending.seen + 1,
    )


class Purpose(IntEnum):
    """What random numbers of one step are for; each has its own."""

    COURSE = 0
    CHOICE = 1


def _generator(belief: Belief, purpose: Purpose = Purpose.COURSE) -> np.random.Generator:
    """Draws that depend on the belief alone: restart and replay agree. Whoever draws must move `step` on by one."""
    seed = int(belief.batch.pitched.timestamp()) & 0xFFFFFFFF
    # The counter counts blocks of four numbers: each step and purpose begins far behind the last.
    return np.random.Generator(np.random.Philox(key=seed, counter=(len(Purpose) * belief.step + purpose) << 64))


def _carry(belief: Belief, time: datetime, temperature_c: float) -> Belief:
    for addition in belief.batch.additions[belief.additions_done :]:
        if addition.time > time:
            break
        belief = _add(_carry_plain(belief, addition.time, belief.temperature_c), addition)
    return _carry_plain(belief, time, temperature_c)


def _carry_plain(belief: Belief, time: datetime, temperature_c: float) -> Belief:
    left, undrawn = hours(time - belief.time), belief.undrawn_hours
    cloud, generator = cloud_of(belief), None
    middle = 0.5 * (belief.temperature_c + temperature_c)
    warmest = max(belief.warmest_c, belief.warmest_c + (temperature_c - belief.warmest_c) * min(left / 6.0, 1.0))
    pace = kinetics.temperature_factor(middle, belief.reference_c, warmest)
    while left > 1e-6:
        span = min(left, LONGEST_STEP_HOURS)
        undrawn += span
        if undrawn >= DRAW_HOURS:
            generator = generator or _generator(belief)
            cloud = draw_changes(cloud, undrawn, pace, generator, renewal(belief.batch, belief.reference_c))
            undrawn = 0.0
        cloud = pass_time(cloud, span, pace)
        left -= span
    return replace(
        belief,
        cloud=cloud,
        step=belief.step + 1,
        time=max(time, belief.time),
        temperature_c=temperature_c,
        warmest_c=warmest,
        undrawn_hours=undrawn,
    )


def _add(belief: Belief, addition: Addition) -> Belief:
    return replace(
        belief,
        cloud=additions.add(cloud_of(belief), addition, _generator(belief)),
        step=belief.step + 1,
        additions_done=belief.additions_done + 1,
    )


def _float_rows(belief: Belief, gravity: GravityReading, z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What each particle expects the float to read, and the slope of that by each state."""
    cloud = cloud_of(belief)
    expected, rows = gravity_rows(cloud, z)
    beside = np.zeros(len(rows))  # the float's own errors: the same slopes for every particle
    beside[THERMAL] = gravity.temperature_c - belief.reference_c
    beside[FOAM] = beside[SHORT] = beside[OFFSET] = 1.0
    beside[MODES:] = belief.modes_points
    return expected + beside @ cloud.mean, rows + beside[:, None]


def _carried_back(belief: Belief, late_hours: float) -> FloatArray:
    """(n,) progress z as it was `late_hours` ago."""
    cloud = cloud_of(belief)
    if late_hours <= 0.0:
        return cloud.z
    pace = pace_of(belief)
    slope = kinetics.speed(cloud.z, effective_k(cloud, pace), cloud.shape)
    return cloud.z - np.minimum(slope * late_hours, 3.0)


def _take_late(belief: Belief, gravity: GravityReading, value: float) -> Belief:
    late_hours = hours(belief.time - gravity.time)
    if late_hours <= 0.0 or late_hours > LATE_HOURS:
        return belief
    return _learn(belief, gravity, value, late_hours=late_hours)


def _learn(
    belief: Belief, gravity: GravityReading, value: float, *, late_hours: float = 0.0, elapsed_hours: float = 0.0
) -> Belief:
    expected, rows = _float_rows(belief, gravity, _carried_back(belief, late_hours))
    usual = not late_hours and not gravity.moving
    recent = (*belief.recent_deg[1 - STUCK_READINGS :], gravity.angle_deg) if usual else belief.recent_deg
    stuck = _sticks(belief, recent, abs(gravity.slope_sg_per_deg) / POINT_SG)
    undissolved = additions.undissolved_points(belief.batch.additions, gravity.time)
    sd = hypot(belief.noise_points * (3.0 if gravity.moving else 1.0), 0.3 * late_hours, undissolved)
    learns = usual and undissolved < belief.noise_points
    gain = (STUCK_NOISE_GAIN if stuck else NOISE_GAIN) if learns else 0.0
    measured = evidence.innovation(cloud_of(belief), expected, rows, value)
    noise = _learnt_noise(belief, measured, gain)
    if stuck:
        noise = min(noise, belief.noise_points)
        return replace(belief, noise_points=noise, recent_deg=recent, stuck=True)
    days = elapsed_hours / 24.0 if usual else 0.0
    cloud, measured = foam.break_heads(cloud_of(belief), measured, sd=sd, days=days, draws=partial(_generator, belief))
    knocks = None if gravity.moving else partial(evidence.knocks, cloud)
    cloud = evidence.take(cloud, measured, sd=sd, scatter=evidence.FLOAT_SCATTER, shifts=knocks)
    return replace(
        belief,
        cloud=_chosen(belief, cloud),
        step=belief.step + 1,
        noise_points=noise,
        recent_deg=recent,
        stuck=False,
    )


def _sticks(belief: Belief, recent_deg: tuple[float, ...], points_per_deg: float) -> bool:
    if len(recent_deg) < STUCK_READINGS:
        return False
    ordered = sorted(recent_deg)
    if not belief.stuck:
        return (ordered[-1] - ordered[0]) * points_per_deg < STUCK_SPAN * belief.noise_points
    # One angle may be far off: a wild packet does not free a float.
    span_deg = min(ordered[-2] - ordered[0], ordered[-1] - ordered[1])
    return span_deg * points_per_deg < FREE_SPAN * belief.noise_points


def _chosen(belief: Belief, cloud: Cloud) -> Cloud:
    """The particles of `cloud`, drawn anew where few carry the weight."""
    kinds = partial(endings, belief.batch, belief.first_points)
    return evidence.resample(cloud, kinds, partial(_generator, belief, Purpose.CHOICE))


def _learnt_noise(belief: Belief, measured: evidence.Innovation, gain: float) -> float:
    """Follow the median of the standardised surprise (stochastic approximation: Robbins and Monro, 1951).

    For a normal error the median of |surprise| is 0.6745 standard deviations; the median does not see outliers.
    """
    weights = np.exp(cloud_of(belief).log_weight)
    mean = float(weights @ measured.surprise)
    total = float(weights @ (measured.variance + (measured.surprise - mean) ** 2)) + belief.noise_points**2
    share = belief.noise_points**2 / total
    direction = 1.0 if abs(mean) > 0.6745 * sqrt(total) else -1.0
    low, high = NOISE_RANGE_POINTS
    return min(max(belief.noise_points * exp(gain * share * direction), low), high)
