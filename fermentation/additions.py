"""Declared additions: sugar or fruit put into the fermenter, which may raise the gravity."""

from __future__ import annotations

from datetime import datetime
from math import exp
from statistics import NormalDist

import numpy as np

from fermentation.belief import FINAL, ORIGINAL, TAIL, Cloud, FloatArray, SingleArray, Z, hours
from fermentation.kinetics import between, logit, progress
from gylewatch.copying import replace
from gylewatch.values import Addition

WEIGHED_SHARE = 0.1
# A weighed amount of sugar raises the gravity by what was reckoned, to a tenth: volumes are known no better
UNWEIGHED_SD_POINTS, UNWEIGHED_LOCAL_SD_POINTS = 8.0, 0.7
# Fruit, or sugar by the handful: anything from nothing to about ten points is common (common practice, no source)
DISSOLVING_HOURS = 2.0
# Syrup sinks and sugar dissolves over some hours; until then the float does not say how much there is
LEAST_LEFT_POINTS = 0.05


def add(cloud: Cloud, addition: Addition, generator: np.random.Generator) -> Cloud:
    """The cloud after an addition: the gravity and the original gravity rise by what was added, the final one stays.

    The rise is a normal distribution in each particle; of an unknown amount, particles believe in different ones.
    """
    n = len(cloud.z)
    if addition.gravity_points is None:
        rise = UNWEIGHED_SD_POINTS * _half_normal(n)[generator.permutation(n)]
        sd = np.full(n, UNWEIGHED_LOCAL_SD_POINTS)
    else:
        rise = np.full(n, max(addition.gravity_points, 0.0))
        sd = WEIGHED_SHARE * rise
    drop = np.maximum(cloud.mean[ORIGINAL] - cloud.mean[FINAL] - cloud.mean[TAIL], 1.0)
    p = progress(cloud.z)
    left = np.maximum((1.0 - p) * drop + rise, LEAST_LEFT_POINTS)
    mean, covariance = cloud.mean.copy(), cloud.covariance.copy()
    mean[ORIGINAL] += rise
    # p drop is what has been fermented, and stays: p' = p drop / (drop + rise)
    whole = drop + rise
    done = between(p * drop / whole, 1e-5, 1.0 - 1e-5)
    mean[Z] = logit(done)
    by_drop = rise / (drop * left)
    row = _combined(covariance, (1.0 - p) * whole / left, by_drop)
    variance = _combined(row[:, None], (1.0 - p) * whole / left, by_drop)[0]
    covariance[Z] = covariance[:, Z] = row
    covariance[Z, Z] = variance
    by_rise = -1.0 / left
    spread = np.minimum(sd, 0.5 * left) ** 2
    covariance[ORIGINAL, ORIGINAL] += spread
    covariance[ORIGINAL, Z] += by_rise * spread
    covariance[Z, ORIGINAL] = covariance[ORIGINAL, Z]
    covariance[Z, Z] += by_rise**2 * spread
    return replace(
        cloud,
        mean=mean,
        covariance=covariance,
        stalled=np.zeros_like(cloud.stalled),
        renewed=np.ones_like(cloud.renewed),
    )


def _half_normal(n: int) -> FloatArray:
    """(n,) sizes of a standard normal number, each equally likely."""
    return np.array([NormalDist().inv_cdf(0.5 + (i + 0.5) / (2 * n)) for i in range(n)])


def _combined(rows: SingleArray | FloatArray, by_z: FloatArray, by_drop: FloatArray) -> FloatArray:
    """The row of the new z, made of the rows of the old z and of the drop."""
    combined: FloatArray = by_z * rows[Z] + by_drop * (rows[ORIGINAL] - rows[FINAL] - rows[TAIL])
    return combined


def undissolved_points(additions: tuple[Addition, ...], time: datetime) -> float:
    """How many points of what has been added the float may not yet feel at `time`."""
    since = ((hours(time - each.time), each.gravity_points) for each in additions)
    return sum(
        (UNWEIGHED_SD_POINTS if points is None else points) * exp(-ago / DISSOLVING_HOURS)
        for ago, points in since
        if 0.0 <= ago < 12.0 * DISSOLVING_HOURS
    )
