"""The gravity that a particle believes in, and how it depends on the state."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fermentation.belief import FINAL, ORIGINAL, TAIL, Cloud, FloatArray, Z
from fermentation.kinetics import progress


def gravity_points(cloud: Cloud) -> FloatArray:
    """(n,) gravity in points."""
    p = progress(_flattening(cloud) * cloud.z)
    points: FloatArray = (1.0 - p) * cloud.mean[ORIGINAL] + p * (cloud.mean[FINAL] + cloud.mean[TAIL])
    return points


def gravity_rows(cloud: Cloud, z: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
    """(n,) gravity in points, and (m, n) its slope by each state.

    Parameters
    ----------
    z : (n,) progress to use in place of the cloud's own
    """
    flatten = _flattening(cloud)
    p = progress(flatten * (cloud.z if z is None else z))
    left, end = 1.0 - p, cloud.mean[FINAL] + cloud.mean[TAIL]
    rows = np.zeros(cloud.mean.shape)
    rows[ORIGINAL], rows[FINAL], rows[TAIL] = left, p, p
    rows[Z] = (end - cloud.mean[ORIGINAL]) * flatten * p * left
    return left * cloud.mean[ORIGINAL] + p * end, rows


def _flattening(cloud: Cloud) -> FloatArray:
    """(n,) factor of z that averages progress over the particle's own spread of z.

    E[1/(1 + exp(-z))] = 1/(1 + exp(-c z)), c = 1/sqrt(1 + pi v/8) for a normal z of variance v (MacKay, Neural
    Computation 4, 720-736, 1992, eq. 3.1).
    """
    factor: FloatArray = 1.0 / np.sqrt(1.0 + np.pi / 8.0 * np.maximum(cloud.covariance[Z, Z], 0.0))
    return factor


_STATES = np.array([ORIGINAL, FINAL, Z, TAIL])
# On which the gravity depends
_EACH_WITH_EACH = np.ix_(_STATES, _STATES)


def spreads(cloud: Cloud, rows: FloatArray, shares: Sequence[float | FloatArray]) -> FloatArray:
    """(shares, n) standard deviation of each share of the original gravity less the gravity, in points.

    Parameters
    ----------
    rows : (m, n) slope of the gravity by each state
    shares : each one number, or (n,) one for each particle
    """
    rows = rows[_STATES]
    towards = np.einsum("jkn,kn->jn", cloud.covariance[_EACH_WITH_EACH], rows)
    variance = np.einsum("jn,jn->n", rows, towards)
    share = np.empty((len(shares), variance.size))
    for row, each in zip(share, shares, strict=True):
        row[:] = each
    beside, own = towards[0], cloud.covariance[ORIGINAL, ORIGINAL]
    sd: FloatArray = np.sqrt(np.maximum(variance - 2.0 * share * beside + share**2 * own, 0.0))
    return sd
