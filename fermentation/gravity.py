"""The gravity that a particle believes in, and how it depends on the state."""

from __future__ import annotations

import numpy as np

from fermentation.belief import FINAL, ORIGINAL, TAIL, Cloud, FloatArray, Z
from fermentation.kinetics import progress


def gravity_rows(cloud: Cloud, z: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
    """(n,) gravity in points, and (m, n) its slope by each state.

    Progress is averaged over the particle's own spread of z: E[1/(1 + exp(-z))] = 1/(1 + exp(-c z)),
    c = 1/sqrt(1 + pi v/8) for a normal z of variance v (MacKay, Neural Computation 4, 720-736, 1992, eq. 3.1).

    Parameters
    ----------
    z : (n,) progress to use in place of the cloud's own
    """
    z = cloud.z if z is None else z
    flatten = 1.0 / np.sqrt(1.0 + np.pi / 8.0 * np.maximum(cloud.covariance[Z, Z], 0.0))
    p = progress(flatten * z)
    original, final = cloud.mean[ORIGINAL], cloud.mean[FINAL]
    rows = np.zeros_like(cloud.mean)
    rows[ORIGINAL], rows[FINAL] = 1.0 - p, p
    tail = cloud.mean[TAIL]
    rows[TAIL] = p
    rows[Z] = -(original - final - tail) * flatten * p * (1.0 - p)
    return (1.0 - p) * original + p * (final + tail), rows


def spread(cloud: Cloud, rows: FloatArray) -> FloatArray:
    """(n,) standard deviation of what `rows` (m, n) measure."""
    variance = np.einsum("jn,jkn,kn->n", rows, cloud.covariance, rows)
    deviation: FloatArray = np.sqrt(np.maximum(variance, 0.0))
    return deviation
