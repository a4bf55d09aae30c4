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
    Drawn,
    FloatArray,
    Pending,
    cloud_of,
    hours,
)
from fermentation.changes import draw_changes
from fermentation.estimate import Estimate, Phase
from fermentation.gravity import gravity_rows
from fermentation.motion import effective_k, pace_of, pass_time, short_sd_points
from fermentation.prior import endings, renewal, seed_cloud
from fermentation.rocking import Rocking
from fermentation.summary import summarise
from gylewatch.copying import replace
from gylewatch.units import POINT_SG, points_from_sg, sg_from_points
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
ABOVE_MEASURED_POINTS = 40.0
# Nor so far above what was measured at pitching
BLIND_SD_POINTS = 20.0
# At an angle where the curve knows the gravity no better than this it knows nothing: the float lies on a shelf, or the
# packet is wild
OUTVOTED_BY, OUTVOTED_HOURS, ASTRAY_POINTS = 4, 3.0, 5.0
# Nor may any other wild first packet stay the original gravity: no beer falls so far within its first few readings
LEAPT_POINTS = 20.0
# Nor so far within its first hours: the float was put in later than it began to report
MODES_HOURS = 3.0
# The curve's error modes are taken where the float was over the last hours, this reading left out: taken at its own
# angle they would share its noise, and the filter would explain that noise away by bending the curve
MISFIT_MEMORY = 0.5
VOUCHED_POINTS = 3.0
# A float that first read within this of the measured original gravity is the brewer's float, with its own curve
EARLY_SAMPLES = 8
STUCK_SD_POINTS = 30.0
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
        rocking=Rocking(),
        works=False,
        lately=(),
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
        if _is_not_in_beer(belief.batch, gravity, value):
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


def _is_not_in_beer(batch: Batch, gravity: GravityReading, value: float) -> bool:
    """Whether a first reading is of no wort: no belief begins with it, if it is soon after pitching."""
    if hours(gravity.time - batch.pitched) >= STRONGEST_HOURS:
        return False
    measured = _measured_original_points(batch)
    strongest = STRONGEST_POINTS if measured is None else measured + ABOVE_MEASURED_POINTS
    return value > strongest or _is_blind(gravity)


def _is_blind(gravity: GravityReading) -> bool:
    return gravity.sd_sg > BLIND_SD_POINTS * POINT_SG


def _followed_modes(belief: Belief, gravity: GravityReading, elapsed_hours: float) -> tuple[float, ...]:
    if _is_blind(gravity):
        return belief.modes_points
    # A belief that began with such a reading has none yet.
    follow = 1.0 - exp(-elapsed_hours / MODES_HOURS) if any(belief.modes_points) else 1.0
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
    drawn = Drawn(
        time=sample.time,
        gravity=points_from_sg(sample.gravity_sg),
        sd=sample.sd_sg / POINT_SG,
        by_original=sample.by_original,
        original=points_from_sg(sample.original_gravity_sg or 1.0),
    )
    if belief.cloud is None:
        return replace(belief, early=(*belief.early, drawn)[-EARLY_SAMPLES:]), None
    if sample.time > belief.time:
        belief = _carry(belief, sample.time, belief.temperature_c)
    return summarise(_take_sample(belief, drawn))


def original_gravity_sg(belief: Belief) -> float | None:
    """The original gravity as it is believed, with what was added; None before the first reading."""
    if belief.cloud is None:
        return None
    return sg_from_points(float(np.exp(belief.cloud.log_weight) @ belief.cloud.mean[ORIGINAL]))


def _take_sample(belief: Belief, drawn: Drawn) -> Belief:
    cloud, sd_points = cloud_of(belief), drawn.sd
    expected, rows = gravity_rows(cloud)
    # A refractometer is read with the original gravity in mind: with another it would have told another gravity.
    expected = expected - drawn.by_original * (cloud.mean[ORIGINAL] - drawn.original)
    rows[ORIGINAL] -= drawn.by_original
    measured = evidence.innovation(cloud, expected, rows, drawn.gravity)
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
            by_original=drawn.by_original,
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
    modes = tuple(0.0 if _is_blind(gravity) else mode / POINT_SG for mode in gravity.modes_sg)
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
    for drawn in early:
        belief = _take_sample(_carry(belief, max(drawn.time, belief.time), warm), drawn)
    return belief


def _began_astray(belief: Belief, time: datetime, value: float) -> bool:
    """Whether the first reading, which stood in for the original gravity, is outvoted by those that came soon after."""
    told = belief.batch.original_gravity_sg is not None or belief.misfit > 0.0  # by a hand sample
    hour = hours(time - belief.batch.pitched)
    if told or len(belief.lately) < 2 or hour >= STRONGEST_HOURS:
        return False
    few = len(belief.lately) <= OUTVOTED_BY and hour - belief.lately[0][0] <= OUTVOTED_HOURS
    usual = median([points for _, points in belief.lately[-OUTVOTED_BY:]] + [value])
    apart = ASTRAY_POINTS if few else LEAPT_POINTS
    return abs(belief.first_points - usual) > apart and abs(value - usual) <= ASTRAY_POINTS


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
    short_sd = short_sd_points(belief.noise_points, calm=belief.phase not in (None, Phase.LAG, Phase.ACTIVE))
    while left > 1e-6:
        span = min(left, LONGEST_STEP_HOURS)
        undrawn += span
        if undrawn >= DRAW_HOURS:
            generator = generator or _generator(belief)
            cloud = draw_changes(cloud, undrawn, pace, generator, renewal(belief.batch, belief.reference_c))
            undrawn = 0.0
        cloud = pass_time(cloud, span, pace, short_sd)
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
        belief = replace(belief, rocking=belief.rocking.after(gravity.angle_deg, works=belief.works))
    if belief.rocking.sticks:
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


def _chosen(belief: Belief, cloud: Cloud) -> Cloud:
    """The particles of `cloud`, drawn anew where few carry the weight."""
    kinds = partial(endings, belief.batch, belief.first_points)
    return evidence.resample(cloud, kinds, partial(_generator, belief, Purpose.CHOICE))
