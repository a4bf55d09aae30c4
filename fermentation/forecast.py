"""Where the batch is going: final gravity and finish time of each particle."""

from __future__ import annotations

from math import log

import numpy as np

from fermentation.belief import FINAL, LOG_K, ORIGINAL, TAIL, Belief, Cloud, FloatArray, Z, cloud_of
from fermentation.kinetics import Z_LIMIT, between, hours_between, logit, speed, temperature_factor
from fermentation.motion import LOG_K_RANGE, pace_of
from fermentation.prior import expected_final

STILL_POINTS_PER_DAY = 0.5
# Finished means: it falls by less than a point in two days, the trade's test (common practice, no source)
FINISH_POINTS = (0.1, 0.8)
# With more left than the second it only pauses; less than the first no instrument sees
STALL_FOR_GOOD_SHARE = 0.5
# Half of the stalls never restart without help (common practice, no source)
TOLD_BY = (0.6, 0.95)
# Of the way done. Before the first the float tells nothing of the end that foam and the shape of the curve could not
# feign, and the yeast's range alone is the better forecast; from the second on it is believed as it is
FARTHEST_HOURS = 24.0 * 90
DOUBT_SHARE, DOUBT_HOURS = 0.3, 6.0
# No curve family is the beer's own: what the particles leave out of the finish time, as a share and in hours


def final_points(
    belief: Belief, here: FloatArray, here_sd: FloatArray, share_done: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(k,) means, (k,) standard deviations in points and (k,) weights of the final gravity's mixture.

    here, here_sd : (n,) the gravity now
    share_done : of the way, as believed
    """
    cloud = cloud_of(belief)
    weights = np.exp(cloud.log_weight)
    told = np.where(cloud.renewed, 1.0, min(max((share_done - TOLD_BY[0]) / (TOLD_BY[1] - TOLD_BY[0]), 0.0), 1.0))
    expected, spread = expected_final(belief.batch, cloud.mean[ORIGINAL], cloud.poor)
    there = np.minimum(expected + told * (cloud.mean[FINAL] - expected), here)
    sd = np.sqrt(told * np.maximum(cloud.covariance[FINAL, FINAL], 0.0) + (1.0 - told) * spread**2)
    if not cloud.stalled.any():
        return there, sd, weights
    stays = np.where(cloud.stalled, STALL_FOR_GOOD_SHARE, 0.0)
    return (
        np.concatenate([there, here]),
        np.concatenate([sd, here_sd]),
        np.concatenate([weights * (1.0 - stays), weights * stays]),
    )


def hours_to_finish(belief: Belief) -> tuple[FloatArray, FloatArray]:
    """(n,) hours from now, negative once it lies behind, infinite where stalled; and (n,) their standard deviation."""
    cloud = cloud_of(belief)
    warm = temperature_factor(belief.reference_c, belief.reference_c, belief.warmest_c)
    pace = max(warm, pace_of(belief), 0.05)
    k = np.exp(between(cloud.log_k, *LOG_K_RANGE)) * pace
    z_end = _z_when_still(cloud, k)
    span = hours_between(cloud.z, z_end, k, cloud.shape)
    ahead = np.maximum(span, 0.0)
    cov = cloud.covariance
    by_z = 1.0 / np.maximum(speed(np.minimum(cloud.z, z_end), k, cloud.shape), 1e-4)
    variance = ahead**2 * cov[LOG_K, LOG_K] + by_z**2 * cov[Z, Z] + 2.0 * ahead * by_z * cov[Z, LOG_K]
    tail = np.maximum(cloud.mean[TAIL], 0.0)
    folding = cloud.tail_hours / pace
    creep = np.log(np.maximum(tail / FINISH_POINTS[1], 1e-3)) * folding
    later = np.maximum(ahead, creep)
    variance += np.where(creep > ahead, folding**2 * cov[TAIL, TAIL] / np.maximum(tail, 0.2) ** 2, 0.0)
    variance += (DOUBT_SHARE * later) ** 2 + DOUBT_HOURS**2
    hours = np.where(later > 0.0, np.minimum(later, FARTHEST_HOURS), np.maximum(creep, span))
    hours = np.where(cloud.stalled & (later > 0.0), np.inf, hours)
    return hours, np.sqrt(between(variance, 0.0, FARTHEST_HOURS**2))


def _z_when_still(cloud: Cloud, k_per_h: FloatArray) -> FloatArray:
    """(n,) logit of progress at which the easy sugars have all but come to rest.

    Near the end the rate is drop k (1-p)^b / (4 max h), as p^a is nearly one (see `fermentation.kinetics`).
    """
    drop = np.maximum(cloud.mean[ORIGINAL] - cloud.mean[FINAL], 2.0 * FINISH_POINTS[1])
    by_rate = np.log(STILL_POINTS_PER_DAY / 24.0 / (drop * k_per_h)) + cloud.shape.log_most
    log_left = by_rate / cloud.shape.b + np.log(drop)
    share_left = np.exp(between(log_left, log(FINISH_POINTS[0]), log(FINISH_POINTS[1]))) / drop
    z_still: FloatArray = np.minimum(-logit(share_left), Z_LIMIT)
    return z_still
