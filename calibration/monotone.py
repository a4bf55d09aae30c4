"""Make a curve strictly monotone: a constraint on its posterior, not a hope."""

from __future__ import annotations

import numpy as np

from calibration.curve import SLOPE_GRID
from gylewatch.errors import CalibrationError
from gylewatch.units import FloatArray

LEAST_SLOPE = 0.05
# Of the mean slope. Every angle law of a floating body keeps far more; a flatter fit says the points are wrong there.
_MOST_ROUNDS = 60


def monotone_posterior(mean: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The most probable coefficients whose slope keeps its sign on -1..1, and the covariance about them.

    Parameters
    ----------
    mean, covariance : (5,), (5, 5) of the coefficients of a curve

    Returns
    -------
    (5,), (5, 5); unchanged where the mean is monotone already. Otherwise the shift that the constraint forces is added
    to the covariance as one more uncertainty: the points and the constraint disagree by that much.

    Raises
    ------
    CalibrationError
        No monotone curve is near the points.

    Source: quadratic programming by the active set of the dual (Hildreth, Naval Res. Logist. Q. 4, 79, 1957).
    """
    sign = 1.0 if mean[1] > 0 else -1.0
    rows = sign * (SLOPE_GRID - LEAST_SLOPE * np.eye(len(mean))[1])
    if bool(np.all(rows @ mean > 0)):
        return mean, covariance
    shape = rows @ covariance @ rows.T
    multipliers = np.zeros(len(rows))
    gap = rows @ mean
    for _ in range(_MOST_ROUNDS):
        for i in np.flatnonzero((gap + shape @ multipliers < 0) | (multipliers > 0)):
            slack = gap[i] + shape[i] @ multipliers
            multipliers[i] = max(0.0, multipliers[i] - slack / shape[i, i])
    shift = covariance @ rows.T @ multipliers
    moved = mean + shift
    if not bool(np.all(sign * SLOPE_GRID @ moved > 0)):
        raise CalibrationError(
            "no curve that always rises, or always falls, fits the reference points; measure them again"
        )
    return moved, covariance + np.outer(shift, shift)
