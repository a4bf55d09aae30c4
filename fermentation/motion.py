"""Prediction: what happens to the belief while time passes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fermentation.belief import FINAL, FOAM, OFFSET, ORIGINAL, SHORT, BoolArray, Cloud, FloatArray
from fermentation.kinetics import advance, progress, speed

LOG_K_DRIFT_PER_SQRT_DAY = 0.2
# Nutrients, oxygen and the brewer's hand change the pace; curve families do not cover all of it
STALL_PER_DAY, RESTART_PER_DAY = 0.015, 0.12
# About one batch in ten stops early; a stall ends within a week or not at all (common practice, no source)
STALL_BIRTH_BOOST = 4.0
# Stalled hypotheses are drawn this much more often than believed, and weighted down, so that some are there in time
STALLED_PACE = 0.01
FOAM_HOURS = 30.0
# Memory of the foam bias: heads stand for hours to days
FOAM_FULL_RATE_POINTS_PER_DAY = 4.0
# Falling this fast, a beer carries all the foam it will carry
SHORT_HOURS, SHORT_SD_POINTS = 2.5, 0.35
# Rocking, bubbles on the hull: errors that last longer than one reading
FOULING_POINTS_PER_SQRT_DAY = 0.22
# about 1 point in three weeks


def pass_time(cloud: Cloud, hours: float, pace: float, generator: np.random.Generator) -> Cloud:
    """The cloud `hours` later, before the next reading.

    `pace` is the temperature factor of the rate over that time.
    """
    days = hours / 24.0
    cloud = _switch_stalls(cloud, days, generator)
    log_k = cloud.log_k + LOG_K_DRIFT_PER_SQRT_DAY * np.sqrt(days) * generator.standard_normal(cloud.log_k.shape)
    moved = advance(cloud.z, effective_k(cloud, pace), np.exp(cloud.log_a), np.exp(cloud.log_b), hours)
    mean, covariance = _relax(cloud, moved, hours)
    return replace(cloud, log_k=log_k, z=moved, mean=mean, covariance=covariance)


def effective_k(cloud: Cloud, pace: float) -> FloatArray:
    """(n,) rate constants at the present temperature, 1/h; next to nothing where stalled."""
    k: FloatArray = np.exp(cloud.log_k) * np.where(cloud.stalled, STALLED_PACE * pace, pace)
    return k


def rate_points_per_day(cloud: Cloud, pace: float) -> FloatArray:
    """(n,) how fast the gravity falls."""
    p = progress(cloud.z)
    dz_dt = speed(cloud.z, effective_k(cloud, pace), np.exp(cloud.log_a), np.exp(cloud.log_b))
    fall: FloatArray = 24.0 * (cloud.mean[ORIGINAL] - cloud.mean[FINAL]) * p * (1.0 - p) * dz_dt
    return np.maximum(fall, 0.0)


def _switch_stalls(cloud: Cloud, days: float, generator: np.random.Generator) -> Cloud:
    chance = generator.random(cloud.z.shape)
    p = progress(cloud.z)
    under_way = (p > 0.03) & (p < 0.97)
    believed = 1.0 - np.exp(-STALL_PER_DAY * days)
    drawn = 1.0 - np.exp(-STALL_BIRTH_BOOST * STALL_PER_DAY * days)
    can_stall = under_way & ~cloud.stalled
    born = can_stall & (chance < drawn)
    freed = cloud.stalled & (chance < 1.0 - np.exp(-RESTART_PER_DAY * days))
    log_weight = cloud.log_weight + np.where(born, np.log(max(believed, 1e-12) / max(drawn, 1e-12)), 0.0)
    log_weight += np.where(can_stall & ~born, np.log((1.0 - believed) / (1.0 - drawn)), 0.0)
    stalled: BoolArray = (cloud.stalled | born) & ~freed
    return replace(cloud, log_weight=log_weight, stalled=stalled)


def _relax(cloud: Cloud, moved: FloatArray, hours: float) -> tuple[FloatArray, FloatArray]:
    keep_foam, keep_short = np.exp(-hours / FOAM_HOURS), np.exp(-hours / SHORT_HOURS)
    mean, covariance = cloud.mean.copy(), cloud.covariance.copy()
    for index, keep in ((FOAM, keep_foam), (SHORT, keep_short)):
        mean[index] *= keep
        covariance[index] *= keep
        covariance[:, index] *= keep
    drop = cloud.mean[ORIGINAL] - cloud.mean[FINAL]
    fallen = drop * (progress(moved) - progress(cloud.z)) * 24.0 / hours
    foaming = np.minimum(np.maximum(fallen, 0.0) / FOAM_FULL_RATE_POINTS_PER_DAY, 1.0)
    covariance[FOAM, FOAM] += cloud.foam_sd**2 * foaming * (1.0 - keep_foam**2)
    covariance[SHORT, SHORT] += SHORT_SD_POINTS**2 * (1.0 - keep_short**2)
    covariance[OFFSET, OFFSET] += FOULING_POINTS_PER_SQRT_DAY**2 * hours / 24.0
    return mean, covariance
