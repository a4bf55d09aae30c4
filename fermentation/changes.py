"""What happens to the beer or the float at once: stalls, heads of foam, ends that were none.

Stalls and ends that were pauses are drawn more often than believed, and weighted down, so that some are there in time.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import expm1, log

import numpy as np

from fermentation.belief import (
    FINAL,
    HEAD,
    LOG_K,
    ORIGINAL,
    TAIL,
    BoolArray,
    Cloud,
    FloatArray,
    IndexArray,
    SingleArray,
    Z,
    normalised,
    picked,
)
from fermentation.covariance import mix
from fermentation.gravity import gravity_points, gravity_rows
from fermentation.kinetics import TAIL_HOURS, between, logit, progress
from fermentation.motion import flow_of, working_share
from gylewatch.copying import replace

STALL_PER_DAY, RESTART_PER_DAY = 0.04, 0.12
# About one batch in ten stops early; a stall ends within a week or not at all (common practice, no source)
STALL_DRAWN_PER_DAY, RESTART_DRAWN_PER_DAY = 0.4, 0.6
RENEWED_PER_DAY, RENEWED_DRAWN_PER_DAY, RENEWED_BEFORE = 0.01, 0.3, 0.88
# What looked like the end was a pause: the beer goes on towards the yeast's own range, if it has not come near it
CREEPS_ON_PER_DAY, CREEPS_ON_FROM_Z = 0.3, 1.7
CREEPS_ON_POINTS, CREEPS_ON_SD_POINTS, CREEPS_ON_LOG_HOURS_SD = 2.5, 1.2, 0.5
# What looked like the end was that of the easy sugars: beyond 85 % of the way (a logit of 1.7) a beer may creep on.
# Unless that is thought of again and again, a beer that creeps is put down to a float that wanders: of 180 brews of
# three simulators by several hands 14 were called finished with more than a point to go, in place of 10
FOAM_COMES_PER_DAY, FOAM_GOES_PER_DAY, FOAM_GOES_IDLE_PER_DAY = 0.15, 0.15, 1.0
# How often a head forms late, breaks while the yeast works, and breaks once it rests
HEAD_SD_POINTS = 2.6
# Foam and yeast rafts lift or weigh down a float by up to six points


@dataclass(frozen=True, slots=True, kw_only=True)
class Renewal:
    """What a hypothesis starts from whose end turned out to be a pause."""

    kept: float  # final over original gravity, middle of the yeast's range
    kept_sd: float
    log_k: float
    log_k_sd: float


def draw_changes(cloud: Cloud, hours: float, pace: float, generator: np.random.Generator, renewal: Renewal) -> Cloud:
    """The cloud after the sudden changes of `hours`: stalls, foam that comes and goes, ends that were none.

    `pace` is the temperature factor of the rate, `renewal` what a renewed hypothesis starts from.
    """
    days = hours / 24.0
    cloud = _switch(cloud, days, working_share(cloud, flow_of(cloud, pace)), generator)
    cloud = _renew(cloud, days, renewal, generator)
    cloud = _creep_on(cloud, days, generator)
    return replace(cloud, log_weight=normalised(cloud.log_weight))


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


def _creep_on(cloud: Cloud, days: float, generator: np.random.Generator) -> Cloud:
    """Some particles near their end keep their gravity, and believe that slow sugars are left."""
    chance = generator.random(len(cloud.log_weight))
    able = (cloud.z > CREEPS_ON_FROM_Z) & ~cloud.stalled
    on = able & (chance < -expm1(-CREEPS_ON_PER_DAY * days))
    if not on.any():
        return cloud
    few = np.flatnonzero(on)
    mean, covariance = cloud.mean.copy(), cloud.covariance.copy()
    part, variance = covariance[:, :, few], CREEPS_ON_SD_POINTS**2
    # final' = final + tail - tail', so that the gravity stays
    mix(part, FINAL, 1.0, TAIL, np.ones(len(few)))
    part[TAIL] = part[:, TAIL] = 0.0
    part[FINAL, FINAL] += variance
    part[TAIL, TAIL] = variance
    part[FINAL, TAIL] = part[TAIL, FINAL] = -variance
    covariance[:, :, few] = part
    mean[FINAL, few] += mean[TAIL, few] - CREEPS_ON_POINTS
    mean[TAIL, few] = CREEPS_ON_POINTS
    tail_hours = cloud.tail_hours.copy()
    tail_hours[few] = TAIL_HOURS * np.exp(CREEPS_ON_LOG_HOURS_SD * generator.standard_normal(len(few)))
    return replace(
        cloud,
        mean=mean,
        covariance=covariance,
        creeping=cloud.creeping | on,
        tail_left=np.where(on, 1.0, cloud.tail_left),
        tail_hours=tail_hours,
    )


def _drawn(able: BoolArray, chance: FloatArray, believed: float, drawn: float) -> tuple[BoolArray, FloatArray]:
    """Which of the able change, at the drawn rate; and the log weight that makes up for the believed one."""
    p_believed, p_drawn = -expm1(-believed), -expm1(-drawn)
    changed: BoolArray = able & (chance < p_drawn)
    of_change, of_staying = log((p_believed + 1e-12) / (p_drawn + 1e-12)), drawn - believed
    return changed, np.where(changed, of_change, np.where(able, of_staying, 0.0))
