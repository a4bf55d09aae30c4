"""Prediction: what happens to the belief while time passes."""

from __future__ import annotations

from math import exp
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
    Cloud,
    FloatArray,
    SingleArray,
    Z,
)
from fermentation.covariance import mix, scale
from fermentation.kinetics import advance, between, progress, speed, temperature_factor
from gylewatch.copying import replace

LOG_K_DRIFT_PER_SQRT_DAY = 0.25
# Nutrients, oxygen and the brewer's hand change the pace; curve families do not cover all of it
LOG_K_RANGE = (float(np.log(0.003)), float(np.log(2.0)))
STALLED_PACE = 0.01
Z_VARIANCE_MOST = 1.5
# A particle stands for one stretch of the curve; left alone for days its normal distribution would span all of it
FOAM_HOURS, FOAM_WOBBLE_POINTS = 8.0, 0.4
# A head takes hours to form and to go; a standing one wanders a little
FOAM_FULL_RATE_POINTS_PER_DAY = 4.0
# Falling this fast, a beer carries all the foam it will carry
SHORT_HOURS, SHORT_SD_POINTS, CALM_SD_POINTS, SHORT_SHARE = 2.5, 0.35, 0.25, 0.45
# Rocking, bubbles on the hull: errors that last longer than one reading. A float that scatters widely wanders widely
# too: the last is a share of the learnt scatter, the second the least, and the third the least once the gas dies down
FOULING_POINTS_PER_SQRT_DAY = 0.22
# about 1 point in three weeks


def pass_time(cloud: Cloud, hours: float, pace: float, short_sd: float) -> Cloud:
    """The cloud `hours` later, before the next reading.

    pace : temperature factor of the rate over that time
    short_sd : of the short-lived errors, points
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
    _relax(mean, covariance, hours, standing=_standing(cloud, flow, moved), short_sd=short_sd)
    return replace(cloud, mean=mean, covariance=covariance, tail_left=cloud.tail_left * decayed)


class Flow(NamedTuple):
    """How fast each particle goes on, stalled ones next to nothing; (n,) each."""

    p: FloatArray  # progress
    k_per_h: FloatArray  # rate constant at the present temperature
    dz_dt: FloatArray  # 1/h
    tail_per_h: FloatArray  # decay of the slow sugars: under way once the easy ones are mostly gone


def short_sd_points(noise_points: float, *, calm: bool) -> float:
    """Standard deviation of the short-lived errors of a float whose readings scatter by `noise_points`.

    calm : the beer hardly works any more
    """
    return max(CALM_SD_POINTS if calm else SHORT_SD_POINTS, SHORT_SHARE * noise_points)


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
    return np.where(growing, working_share(cloud, flow), full) if growing.any() else full


def working_share(cloud: Cloud, flow: Flow) -> FloatArray:
    """(n,) share of the rate at which a beer carries all the foam it will carry."""
    fall, per_point = _fall(cloud, flow)
    rate = fall + per_point * np.maximum(cloud.mean[TAIL], 0.0)
    share: FloatArray = np.minimum(rate / FOAM_FULL_RATE_POINTS_PER_DAY, 1.0)
    return share


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
