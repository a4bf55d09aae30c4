"""Where the batch is going: final gravity and finish time of each particle."""

from __future__ import annotations

import numpy as np

from fermentation.belief import FINAL, ORIGINAL, Belief, FloatArray, cloud_of
from fermentation.kinetics import Z_LIMIT, hours_between, progress, temperature_factor

FINISH_POINTS = 0.5
# Finished means: half a point or less left to fall; no hand instrument sees less
STALL_FOR_GOOD_SHARE = 0.5
# Half of the stalls never restart without help (common practice, no source)
FARTHEST_HOURS = 24.0 * 90


def final_points(belief: Belief) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(k,) means, (k,) standard deviations in points and (k,) weights of the final gravity's mixture."""
    cloud = cloud_of(belief)
    weights = np.exp(cloud.log_weight)
    p = progress(cloud.z)
    here = (1.0 - p) * cloud.mean[ORIGINAL] + p * cloud.mean[FINAL]
    there = np.minimum(cloud.mean[FINAL], here)
    sd = np.sqrt(np.maximum(cloud.covariance[FINAL, FINAL], 0.0))
    if not cloud.stalled.any():
        return there, sd, weights
    stays = np.where(cloud.stalled, STALL_FOR_GOOD_SHARE, 0.0)
    return (
        np.concatenate([there, here]),
        np.concatenate([sd, sd]),
        np.concatenate([weights * (1 - stays), weights * stays]),
    )


def hours_to_finish(belief: Belief) -> FloatArray:
    """(n,) hours from now; negative once it lies behind, infinite where stalled."""
    cloud = cloud_of(belief)
    pace = temperature_factor(belief.reference_c, belief.reference_c, belief.warmest_c)
    pace = max(pace, temperature_factor(belief.temperature_c, belief.reference_c, belief.warmest_c), 0.05)
    drop = np.maximum(cloud.mean[ORIGINAL] - cloud.mean[FINAL], 2.0 * FINISH_POINTS)
    share_left = FINISH_POINTS / drop
    z_end = np.minimum(np.log1p(-share_left) - np.log(share_left), Z_LIMIT)
    k, a, b = np.exp(cloud.log_k) * pace, np.exp(cloud.log_a), np.exp(cloud.log_b)
    ahead = hours_between(cloud.z, z_end, k, a, b)
    behind = hours_between(z_end, cloud.z, k, a, b)
    return np.where(cloud.stalled & (ahead > 0), np.inf, np.minimum(ahead, FARTHEST_HOURS) - behind)
