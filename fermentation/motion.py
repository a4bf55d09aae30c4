"""Prediction: what happens to the belief while time passes."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, expm1, log
from typing import NamedTuple

import numpy as np

from fermentation.belief import (
    FINAL,
    FOAM,
    HEAD,
    LOG_K,
    OFFSET,
    ORIGINAL,
    SHORT,
    TAIL,
    Belief,
    BoolArray,
    Cloud,
    FloatArray,
    IndexArray,
    SingleArray,
    Z,
    normalised,
    picked,
)
from fermentation.covariance import mix, scale
from fermentation.gravity import gravity_points, gravity_rows
from fermentation.kinetics import advance, between, logit, progress, speed, temperature_factor
from gylewatch.copying import replace

LOG_K_DRIFT_PER_SQRT_DAY = 0.25
# Nutrients, oxygen and the brewer's hand change the pace; curve families do not cover all of it
LOG_K_RANGE = (float(np.log(0.003)), float(np.log(2.0)))
STALL_PER_DAY, RESTART_PER_DAY = 0.04, 0.12
# About one batch in ten stops early; a stall ends within a week or not at all (common practice, no source)
STALL_DRAWN_PER_DAY, RESTART_DRAWN_PER_DAY = 0.4, 0.6
# Hypotheses of a change are drawn more often than believed, and weighted down, so that some are there in time
STALLED_PACE = 0.01
RENEWED_PER_DAY, RENEWED_DRAWN_PER_DAY, RENEWED_BEFORE = 0.01, 0.3, 0.88
# What looked like the end was a pause: the beer goes on towards the yeast's own range, if it has not come near it
Z_VARIANCE_MOST = 1.5
# A particle stands for one stretch of the curve; left alone for days its normal distribution would span all of it
FOAM_COMES_PER_DAY, FOAM_GOES_PER_DAY, FOAM_GOES_IDLE_PER_DAY = 0.15, 0.15, 1.0
# How often a head forms late, breaks while the yeast works, and breaks once it rests
FOAM_HOURS, FOAM_WOBBLE_POINTS = 8.0, 0.4
# A head takes hours to form and to go; a standing one wanders a little
HEAD_SD_POINTS = 2.6
# Foam and yeast rafts lift or weigh down a float by up to six points
FOAM_FULL_RATE_POINTS_PER_DAY = 4.0
# Falling this fast, a beer carries all the foam it will carry
SHORT_HOURS, SHORT_SD_POINTS, SHORT_SHARE = 2.5, 0.35, 0.45
# Rocking, bubbles on the hull: errors that last longer than one reading. A float that scatters widely wanders widely
# too: the third is a share of the learnt scatter, the second the least
FOULING_POINTS_PER_SQRT_DAY = 0.22
# about 1 point in three weeks


def draw_changes(cloud: Cloud, hours: float, pace: float, generator: np.random.Generator, renewal: Renewal) -> Cloud:
    """The cloud after the sudden changes of `hours`: stalls, foam that comes and goes, ends that were pauses.

    `pace` is the temperature factor of the rate, `renewal` what a renewed hypothesis starts from.
    """
    days = hours / 24.0
    cloud = _switch(cloud, days, _working(cloud, flow_of(cloud, pace)), generator)
    cloud = _renew(cloud, days, renewal, generator)
    return replace(cloud, log_weight=normalised(cloud.log_weight))


def pass_time(cloud: Cloud, hours: float, pace: float, noise_points: float) -> Cloud:
    """The cloud `hours` later, before the next reading.

    pace : temperature factor of the rate over that time
    noise_points : learnt scatter of the float's readings
    """
    days = hours / 24.0
    flow = flow_of(cloud, pace)
    moved, ahead = advance(cloud.z, flow.k_per_h, cloud.shape, hours, dz_dt=flow.dz_dt)
    # dz'/dz of dz/dt = s(z) is s(z')/s(z); dz'/dln k is the time-integral of the flow, s(z') t (exact for constant k)
    along = between(ahead / flow.dz_dt, 0.02, 20.0)
    mean, covariance = cloud.mean.copy(), cloud.covariance.copy()
    mean[Z] = moved
    mix(covariance, Z, along, LOG_K, np.minimum(ahead * hours, 5.0))
    covariance[LOG_K, LOG_K] += LOG_K_DRIFT_PER_SQRT_DAY**2 * days
    if covariance[Z, Z].max() > Z_VARIANCE_MOST:  # seldom: mostly a reading comes before
        scale(covariance, Z, np.minimum(1.0, np.sqrt(Z_VARIANCE_MOST / covariance[Z, Z])))
    decayed = np.exp(-hours * flow.tail_per_h)
    mean[TAIL] *= decayed
    scale(covariance, TAIL, decayed)
    short_sd = max(SHORT_SD_POINTS, SHORT_SHARE * noise_points)
    _relax(mean, covariance, hours, standing=_standing(cloud, flow, moved), short_sd=short_sd)
    return replace(cloud, mean=mean, covariance=covariance, tail_left=cloud.tail_left * decayed)


class Flow(NamedTuple):
    """How fast each particle goes on, stalled ones next to nothing; (n,) each."""

    p: FloatArray  # progress
    k_per_h: FloatArray  # rate constant at the present temperature
    dz_dt: FloatArray  # 1/h
    tail_per_h: FloatArray  # decay of the slow sugars: under way once the easy ones are mostly gone


def flow_of(cloud: Cloud, pace: float) -> Flow:
    """The flow at `pace`, the temperature factor of the rate."""
    p, k = progress(cloud.z), effective_k(cloud, pace)
    begun = np.maximum(2.0 * p - 1.0, 0.0)
    return Flow(p, k, speed(cloud.z, k, cloud.shape), _paces(cloud, pace) * begun / cloud.tail_hours)


def _standing(cloud: Cloud, flow: Flow, moved: FloatArray) -> FloatArray:
    """(n,) how much of a head there is at progress `moved`: beyond the steepest part of the curve a full one."""
    begun = cloud.foamy & (moved > cloud.onset)
    growing = begun & (moved < 0.0)
    full = np.where(begun, 1.0, 0.0)
    return np.where(growing, _working(cloud, flow), full) if growing.any() else full


def _working(cloud: Cloud, flow: Flow) -> FloatArray:
    """(n,) share of the rate at which a beer carries all the foam it will carry."""
    fall, per_point = _fall(cloud, flow)
    rate = fall + per_point * np.maximum(cloud.mean[TAIL], 0.0)
    share: FloatArray = np.minimum(rate / FOAM_FULL_RATE_POINTS_PER_DAY, 1.0)
    return share


@dataclass(frozen=True, slots=True, kw_only=True)
class Renewal:
    """What a hypothesis starts from whose end turned out to be a pause."""

    kept: float  # final over original gravity, middle of the yeast's range
    kept_sd: float
    log_k: float
    log_k_sd: float


def _renew(cloud: Cloud, days: float, renewal: Renewal, generator: np.random.Generator) -> Cloud:
    """Some particles keep their gravity and draw the rest of the way anew."""
    here, original = gravity_points(cloud), cloud.mean[ORIGINAL]
    done = (original - here) / _renewed_drop(original, renewal)
    chance = generator.random(cloud.log_weight.shape)
    able = (done > 0.2) & (done < RENEWED_BEFORE)
    renewed, log_weight = _drawn(able, chance, RENEWED_PER_DAY * days, RENEWED_DRAWN_PER_DAY * days)
    cloud = replace(cloud, log_weight=cloud.log_weight + log_weight)
    if not renewed.any():
        return cloud
    few = np.flatnonzero(renewed)
    mean, covariance = cloud.mean.copy(), cloud.covariance.copy()
    mean[:, few], covariance[:, :, few] = _begun_anew(picked(cloud, few), done[few], renewal)
    stalled = cloud.stalled & ~renewed
    return replace(cloud, mean=mean, covariance=covariance, stalled=stalled, renewed=cloud.renewed | renewed)


def _begun_anew(cloud: Cloud, done: FloatArray, renewal: Renewal) -> tuple[FloatArray, SingleArray]:
    """Mean and covariance of particles that keep their gravity, the share `done` (n,) of the way drawn anew."""
    original = cloud.mean[ORIGINAL]
    drop = _renewed_drop(original, renewal)
    done = between(done, 0.02, 0.97)
    final_variance = (renewal.kept_sd * original) ** 2
    # done = (original - gravity)/(original - final), the gravity staying what it was: z is linear in the three
    slope = -gravity_rows(cloud)[1]
    slope[ORIGINAL] += 1.0 - done
    slope /= drop * done * (1.0 - done)
    by_final = 1.0 / (drop * (1.0 - done))
    towards = np.einsum("jkn,kn->jn", cloud.covariance, slope)
    variance = np.einsum("jn,jn->n", slope, towards) + by_final**2 * final_variance
    towards[FINAL], towards[LOG_K], towards[TAIL], towards[Z] = by_final * final_variance, 0.0, 0.0, variance
    mean, covariance = cloud.mean.copy(), cloud.covariance.copy()
    mean[FINAL], mean[Z] = original - drop, logit(done)
    mean[LOG_K], mean[TAIL] = renewal.log_k, 0.0
    forgotten = [FINAL, LOG_K, TAIL]
    covariance[forgotten] = covariance[:, forgotten] = 0.0
    covariance[FINAL, FINAL] = final_variance
    covariance[LOG_K, LOG_K] = renewal.log_k_sd**2
    covariance[Z] = covariance[:, Z] = towards
    return mean, covariance


def _renewed_drop(original: FloatArray, renewal: Renewal) -> FloatArray:
    drop: FloatArray = np.maximum(original * (1.0 - renewal.kept), 2.0)
    return drop


def pace_of(belief: Belief) -> float:
    """Temperature factor of the rate as the belief stands."""
    return temperature_factor(belief.temperature_c, belief.reference_c, belief.warmest_c)


def effective_k(cloud: Cloud, pace: float) -> FloatArray:
    """(n,) rate constants at the present temperature, 1/h; next to nothing where stalled."""
    k: FloatArray = np.exp(between(cloud.log_k, *LOG_K_RANGE)) * _paces(cloud, pace)
    return k


def _paces(cloud: Cloud, pace: float) -> FloatArray:
    return np.where(cloud.stalled, STALLED_PACE * pace, pace)


def rate_points_per_day(cloud: Cloud, pace: float) -> tuple[FloatArray, FloatArray]:
    """(n,) how fast the gravity falls, and (n,) the standard deviation of its logarithm."""
    flow = flow_of(cloud, pace)
    fall, per_point = _fall(cloud, flow)
    # positive part: a tail that may be nothing at all is not a rising gravity
    rate = np.maximum(fall + per_point * np.maximum(cloud.mean[TAIL], 0.0), 1e-6)
    by_z = cloud.shape.a * (1.0 - flow.p) - cloud.shape.b * flow.p
    cov = cloud.covariance
    variance = between(cov[LOG_K, LOG_K] + by_z**2 * cov[Z, Z] + 2.0 * by_z * cov[Z, LOG_K], 1e-6, 4.0)
    creep_variance = per_point**2 * cov[TAIL, TAIL]
    return rate, np.sqrt(between((fall**2 * variance + creep_variance) / rate**2, 1e-6, 4.0))


def _fall(cloud: Cloud, flow: Flow) -> tuple[FloatArray, FloatArray]:
    """(n,) rate of the easy sugars in points a day, and (n,) that of the slow ones for each point of them."""
    drop = np.maximum(cloud.mean[ORIGINAL] - cloud.mean[FINAL] - cloud.mean[TAIL], 1.0)
    return 24.0 * drop * flow.p * (1.0 - flow.p) * flow.dz_dt, 24.0 * flow.tail_per_h * flow.p


def _switch(cloud: Cloud, days: float, working: FloatArray, generator: np.random.Generator) -> Cloud:
    chance = generator.random((2, len(cloud.log_weight)))
    p = progress(cloud.z)
    can_stall = (p > 0.2) & (p < 0.97) & ~cloud.stalled
    born, weight_of_birth = _drawn(can_stall, chance[0], STALL_PER_DAY * days, STALL_DRAWN_PER_DAY * days)
    freed, weight_of_release = _drawn(cloud.stalled, chance[0], RESTART_PER_DAY * days, RESTART_DRAWN_PER_DAY * days)
    stalled: BoolArray = (cloud.stalled | born) & ~freed
    comes = ~cloud.foamy & (chance[1] < -np.expm1(-FOAM_COMES_PER_DAY * working * days))
    going = FOAM_GOES_PER_DAY + FOAM_GOES_IDLE_PER_DAY * (1.0 - working) * (p > 0.5)
    foamy: BoolArray = comes | (cloud.foamy & (chance[1] >= -np.expm1(-going * days)))
    log_weight = cloud.log_weight + weight_of_birth + weight_of_release
    cloud = replace(cloud, log_weight=log_weight, stalled=stalled, foamy=foamy)
    return _with_new_heads(cloud, np.flatnonzero(comes)) if comes.any() else cloud


def _with_new_heads(cloud: Cloud, few: IndexArray) -> Cloud:
    """The cloud in which a few particles have a head that begins to form now, of any size."""
    mean, covariance, onset = cloud.mean.copy(), cloud.covariance.copy(), cloud.onset.copy()
    mean[HEAD, few] = 0.0
    covariance[HEAD, :, few] = covariance[:, HEAD, few] = 0.0
    covariance[HEAD, HEAD, few] = HEAD_SD_POINTS**2
    onset[few] = np.minimum(onset[few], cloud.z[few])
    return replace(cloud, mean=mean, covariance=covariance, onset=onset)


def _drawn(able: BoolArray, chance: FloatArray, believed: float, drawn: float) -> tuple[BoolArray, FloatArray]:
    """Which of the able change, at the drawn rate; and the log weight that makes up for the believed one."""
    p_believed, p_drawn = -expm1(-believed), -expm1(-drawn)
    changed: BoolArray = able & (chance < p_drawn)
    of_change, of_staying = log((p_believed + 1e-12) / (p_drawn + 1e-12)), drawn - believed
    return changed, np.where(changed, of_change, np.where(able, of_staying, 0.0))


def _relax(mean: FloatArray, covariance: SingleArray, hours: float, *, standing: FloatArray, short_sd: float) -> None:
    """Foam follows its head, short-lived errors fade, the hull fouls.

    standing : (n,) how much of a head there is
    short_sd : of the short-lived errors, points
    """
    keep, keep_short = exp(-hours / FOAM_HOURS), exp(-hours / SHORT_HOURS)
    rise = (1.0 - keep) * standing
    mean[FOAM] = keep * mean[FOAM] + rise * mean[HEAD]
    mix(covariance, FOAM, keep, HEAD, rise)
    mean[SHORT] *= keep_short
    scale(covariance, SHORT, keep_short)
    covariance[FOAM, FOAM] += FOAM_WOBBLE_POINTS**2 * standing * (1.0 - keep**2)
    covariance[SHORT, SHORT] += short_sd**2 * (1.0 - keep_short**2)
    covariance[OFFSET, OFFSET] += FOULING_POINTS_PER_SQRT_DAY**2 * hours / 24.0
