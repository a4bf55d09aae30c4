"""The causal filter: one reading or hand sample at a time, from belief to belief.

Nothing here looks ahead: `step(belief, gravity)` uses what `belief` holds and the reading, so that a prefix of the
readings gives a prefix of the estimates. Dense readings are joined to one robust mean every `BIN_MINUTES` first.
"""

from __future__ import annotations

from datetime import datetime
from enum import IntEnum
from functools import partial
from math import exp, hypot, inf, sqrt
from statistics import median

import numpy as np

from calibration.curve import GravityReading
from calibration.hydrometry import HandGravity
from fermentation import additions, evidence, foam, kinetics, misled, scatter
from fermentation.belief import (
    FOAM,
    MODES,
    OFFSET,
    ORIGINAL,
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
from fermentation.motion import draw_changes, effective_k, pace_of, pass_time, rate_points_per_day
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
STRONGEST_POINTS, STRONGEST_HOURS = 160.0, 6.0
# No wort is stronger: at first it is a float that is not in the beer yet, or a wild packet. A belief that began with it
# would take it for the original gravity for good. Later it is the curve, and an estimate is needed to say so
OUTVOTED_BY, OUTVOTED_HOURS, ASTRAY_POINTS = 4, 3.0, 5.0
# Nor may any other wild first packet stay the original gravity: no beer falls so far within its first few readings
MODES_HOURS = 3.0
# The curve's error modes are taken where the float was over the last hours, this reading left out: taken at its own
# angle they would share its noise, and the filter would explain that noise away by bending the curve
MISFIT_MEMORY = 0.5
VOUCHED_POINTS = 3.0
# A float that first read within this of the measured original gravity is the brewer's float, with its own curve
EARLY_SAMPLES = 8
STUCK_READINGS, STUCK_SPANS, STUCK_SPAN = 6, 18, 0.5
# A float on the wall stops rocking: its last readings span less than half of the smallest span it has shown, which in
# most batches is that of the calm before the yeast starts. It is the angle that stands: what is reckoned from it
# follows the temperature
STUCK_DROP_POINTS, STUCK_RATE_POINTS_PER_DAY = 2.0, 2.0
# Only while the beer works: a still angle is what a beer at rest shows
STUCK_SD_POINTS = 15.0
# Of the readings of one hour of a float that seems to stick: a night of them says little. Days of them say that it is
# the beer that stands
DRAW_HOURS = 1.9
# Sudden changes are days apart: drawing them at every reading, or each hour, would only take time
LONGEST_STEP_HOURS = 12.0
# The switching and drift of a long silence are applied in steps of this length


def start(batch: Batch) -> Belief:
    """The belief at pitching, before any reading."""
    return Belief(
        batch=batch,
        time=batch.pitched,
        heard_at=batch.pitched,
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
        lately=(),
        stillest_deg=inf,
        spans=0,
        stuck=False,
        misfit=0.0,
        phase=None,
        finished_at=None,
        final=None,
        finish=None,
        forecast_at=None,
        undrawn_hours=0.0,
    )


def step(belief: Belief, gravity: GravityReading) -> tuple[Belief, Estimate | None]:
    """Take one reading of the float.

    Returns
    -------
    the new belief, and the estimate at the reading's time; None for a reading that was joined to a bin, came late,
    lies before pitching, or is the first and of no wort.
    """
    if gravity.time < belief.batch.pitched:
        return belief, None
    value = points_from_sg(gravity.gravity_sg)
    elapsed = hours(gravity.time - belief.heard_at)
    if belief.cloud is None:
        if value > STRONGEST_POINTS and hours(gravity.time - belief.batch.pitched) < STRONGEST_HOURS:
            return belief, None
        belief = _born(belief, gravity, value)
    elif gravity.time < belief.time or elapsed <= 0.0:
        return _take_late(belief, gravity, value), None
    elif elapsed * 60.0 < BIN_MINUTES:
        return replace(belief, pending=_held(belief.pending, value, gravity.temperature_c)), None
    held = _held(belief.pending, value, gravity.temperature_c)
    value = median(held.gravity_points)
    if _began_astray(belief, gravity.time, value):
        belief = _born(replace(start(belief.batch), step=belief.step), gravity, value)
    belief = _carry(belief, gravity.time, median(held.temperature_c))
    belief = _learn(belief, gravity, value, elapsed_hours=elapsed)
    modes = _followed_modes(belief, gravity, elapsed)
    return summarise(replace(belief, pending=Pending(), heard_at=gravity.time, modes_points=modes))


def _followed_modes(belief: Belief, gravity: GravityReading, elapsed_hours: float) -> tuple[float, ...]:
    follow = 1.0 - exp(-elapsed_hours / MODES_HOURS)
    pairs = zip(belief.modes_points, gravity.modes_sg, strict=True)
    return tuple([old + follow * (new / POINT_SG - old) for old, new in pairs])


def observe_sample(belief: Belief, sample: HandGravity) -> tuple[Belief, Estimate | None]:
    """Take one hand sample: a measurement of the gravity itself, free of the float's errors.

    Samples and readings are given in the order of their times; one from before the belief's time counts as of now.

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
    return summarise(_take_sample(belief, points, sd_points))


def _take_sample(belief: Belief, points: float, sd_points: float) -> Belief:
    cloud = cloud_of(belief)
    expected, rows = gravity_rows(cloud)
    measured = evidence.innovation(cloud, expected, rows, points)
    squared = evidence.squared_surprise(cloud, measured, sd_points)
    misfit = belief.misfit + MISFIT_MEMORY * (squared - belief.misfit)
    if evidence.is_suspicious(cloud, measured, sd_points):
        # What is believed of the end is widened beyond its prior, which thus no longer governs it.
        cloud = replace(cloud, renewed=np.ones_like(cloud.renewed))
    if not _is_vouched_for(belief):
        cloud, measured = misled.allow_lasting(
            cloud,
            measured,
            sd=sd_points,
            # An addition has made it another one.
            original_points=None if belief.additions_done else _measured_original_points(belief.batch),
            draws=partial(_generator, belief),
        )
    shifts = partial(evidence.astray, measured)
    cloud = evidence.take(cloud, measured, sd=sd_points, scatter=evidence.SAMPLE_SCATTER, shifts=shifts)
    return replace(belief, misfit=misfit, forecast_at=None, cloud=_chosen(belief, cloud), step=belief.step + 1)


def _is_vouched_for(belief: Belief) -> bool:
    """Whether what was last measured by hand agreed with the float, so that it cannot have been off all along."""
    if belief.misfit > 0.0:
        return belief.misfit < MISFIT_MEMORY * evidence.SUSPICIOUS_SIGMA**2
    original_points = _measured_original_points(belief.batch)
    return original_points is not None and abs(belief.first_points - original_points) < VOUCHED_POINTS


def _measured_original_points(batch: Batch) -> float | None:
    return None if batch.original_gravity_sg is None else points_from_sg(batch.original_gravity_sg)


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
        belief = _take_sample(_carry(belief, max(time, belief.time), warm), points, sd_points)
    return belief


def _began_astray(belief: Belief, time: datetime, value: float) -> bool:
    """Whether the first reading, which stood in for the original gravity, is outvoted by those that came soon after."""
    told = belief.batch.original_gravity_sg is not None or belief.misfit > 0.0  # by a hand sample
    if told or not 2 <= len(belief.lately) <= OUTVOTED_BY:
        return False
    usual = median([points for _, points in belief.lately] + [value])
    soon = hours(time - belief.batch.pitched) - belief.lately[0][0] <= OUTVOTED_HOURS
    return soon and abs(belief.first_points - usual) > ASTRAY_POINTS >= abs(value - usual)


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
        cloud = pass_time(cloud, span, pace, belief.noise_points)
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
        forecast_at=None,
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
    measured = evidence.innovation(cloud_of(belief), expected, rows, value)
    usual = not late_hours and not gravity.moving
    if usual:
        belief = _followed_angle(belief, gravity.angle_deg)
    if belief.stuck:
        return _take_stuck(belief, measured, elapsed_hours)
    undissolved = additions.undissolved_points(belief.batch.additions, gravity.time)
    if usual and undissolved < belief.noise_points:
        belief = _followed_scatter(belief, measured, hours(gravity.time - belief.batch.pitched), value)
    sd = hypot(belief.noise_points * (3.0 if gravity.moving else 1.0), 0.3 * late_hours, undissolved)
    days = elapsed_hours / 24.0 if usual else 0.0
    cloud, measured = foam.break_heads(cloud_of(belief), measured, sd=sd, days=days, draws=partial(_generator, belief))
    knocks = None if gravity.moving else partial(evidence.knocks, cloud)
    cloud = evidence.take(cloud, measured, sd=sd, scatter=evidence.FLOAT_SCATTER, shifts=knocks)
    return replace(belief, cloud=_chosen(belief, cloud), step=belief.step + 1)


def _followed_scatter(belief: Belief, measured: evidence.Innovation, hour: float, points: float) -> Belief:
    lately = (*belief.lately[1 - scatter.LATELY :], (hour, points))
    weights = np.exp(cloud_of(belief).log_weight)
    mean = float(weights @ measured.surprise)
    variance = float(weights @ (measured.variance + (measured.surprise - mean) ** 2))
    noise = scatter.followed(belief.noise_points, lately, surprise=mean, variance=variance)
    return replace(belief, lately=lately, noise_points=noise)


def _take_stuck(belief: Belief, measured: evidence.Innovation, elapsed_hours: float) -> Belief:
    if elapsed_hours <= 0.0:
        return belief
    sd = STUCK_SD_POINTS / sqrt(elapsed_hours)
    cloud = evidence.take(cloud_of(belief), measured, sd=sd, scatter=evidence.FLOAT_SCATTER, shifts=None)
    return replace(belief, cloud=_chosen(belief, cloud), step=belief.step + 1)


def _followed_angle(belief: Belief, angle_deg: float) -> Belief:
    """The belief with one more angle, and whether the float sticks."""
    recent = (*belief.recent_deg[1 - STUCK_READINGS :], angle_deg)
    if len(recent) < STUCK_READINGS:
        return replace(belief, recent_deg=recent)
    ordered = sorted(recent)
    if belief.stuck:
        # One angle may be far off: a wild packet does not free a float.
        span = min(ordered[-2] - ordered[0], ordered[-1] - ordered[1])
        return replace(belief, recent_deg=recent, stuck=span < belief.stillest_deg)
    span = ordered[-1] - ordered[0]
    if belief.spans >= STUCK_SPANS and span < STUCK_SPAN * belief.stillest_deg and _works(belief):
        return replace(belief, recent_deg=recent, stuck=True)
    return replace(belief, recent_deg=recent, stillest_deg=min(belief.stillest_deg, span), spans=belief.spans + 1)


def _works(belief: Belief) -> bool:
    """Whether the gravity is believed to have fallen, and to be falling."""
    cloud = cloud_of(belief)
    weights = np.exp(cloud.log_weight)
    here, _ = gravity_rows(cloud)
    rate, _ = rate_points_per_day(cloud, pace_of(belief))
    fallen = float(weights @ (cloud.mean[ORIGINAL] - here))
    return fallen > STUCK_DROP_POINTS and float(weights @ rate) > STUCK_RATE_POINTS_PER_DAY


def _chosen(belief: Belief, cloud: Cloud) -> Cloud:
    """The particles of `cloud`, drawn anew where few carry the weight."""
    kinds = partial(endings, belief.batch, belief.first_points)
    return evidence.resample(cloud, kinds, partial(_generator, belief, Purpose.CHOICE))
