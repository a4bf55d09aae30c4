"""Let hand samples and plain water correct a curve: the reference solutions are the prior, a bad sample does little."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from calibration.curve import Curve
from calibration.density import water_density_kell
from calibration.expansion import WATER_20_C, expansion_ratio
from calibration.monotone import monotone_posterior
from gylewatch.errors import CalibrationError
from gylewatch.units import POINT_SG, FloatArray

SHIFT_SD_SG = 0.0020  # how far a float may have moved as a whole since its solutions: fouling, a moved weight
TILT_SD_SG = 0.0010  # the same at either end of the range when it grows from the middle (common practice, no source)
FLOAT_SCATTER_SD_SG = 0.0010  # of the float at one moment in a living beer: foam, bubbles, wall
STUDENT_FREEDOM = 4.0  # tails heavy enough that a sample 20 points off pulls less than one 3 points off
_ROUNDS = 30

SUSPECT_SIGMA = 3.0
# Disagreement that the curve's, the samples' and the float's uncertainty explain once in 700 sound calibrations.
WATER_SIGMA = 2.0  # a float that says this of plain water should be calibrated again


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """One hand sample beside what the float showed at that time."""

    time: datetime
    angle_deg: float  # mean over the minutes around the sample
    temperature_c: float  # of the beer around the float
    gravity_sg: float  # SG 20/20 °C of the sample, corrected
    sd_sg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Recalibration:
    """A curve brought up to date, and what moved."""

    curve: Curve
    shift_points: float  # mean over the range, new minus old
    tilt_points: float  # further change at the upper end against the middle
    disagreement_sigma: float  # of the samples with the old curve; compare with `SUSPECT_SIGMA`
    weights: tuple[float, ...]  # how far each anchor was trusted, 0..1, in the order given
    suspects: tuple[int, ...]  # places of anchors trusted by less than half


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterCheck:
    """One-point check in plain water."""

    expected_sg: float  # density of water at its temperature over water at 20 °C
    shown_sg: float  # by the curve
    off_points: float  # shown minus expected
    sd_points: float
    agrees: bool
    verdict: str  # one sentence


def recalibrate(curve: Curve, anchors: Sequence[Anchor], *, original_gravity_sg: float | None) -> Recalibration:
    """Update a curve by hand samples of one batch.

    A shift of the whole curve is learnt first and its tilt as samples spread over the range: both have a prior, and the
    data decide how much of each.

    Parameters
    ----------
    anchors : at least one
    original_gravity_sg : SG 20/20 °C of the batch, for the liquid's expansion; None: a typical beer's

    Raises
    ------
    CalibrationError
        There is no anchor, or the curve they ask for would not be monotone.

    Source: Gaussian update, C. M. Bishop, Pattern Recognition and Machine Learning, 2006, section 3.3; Student's t by
    iterated weights (nu + 1)/(nu + r²), K. L. Lange, R. Little, J. Taylor, J. Am. Stat. Assoc. 84, 881-896, 1989.
    """
    if not anchors:
        raise CalibrationError("there is no hand sample to recalibrate with; draw one and enter it")
    rows, beyond_sd = curve.basis_rows(np.array([anchor.angle_deg for anchor in anchors]))
    asked = np.array(
        [a.gravity_sg * expansion_ratio(a.gravity_sg, a.temperature_c, original_gravity_sg) for a in anchors]
    )
    noise = np.array([a.sd_sg**2 + FLOAT_SCATTER_SD_SG**2 for a in anchors]) + beyond_sd**2
    mean, covariance = np.array(curve.coefficients), np.array(curve.covariance)
    sigma = _disagreement(asked - rows @ mean, rows @ covariance @ rows.T + np.diag(noise))

    prior = covariance.copy()
    prior[0, 0] += SHIFT_SD_SG**2
    prior[1, 1] += TILT_SD_SG**2
    weights = np.ones(len(anchors))
    updated = mean
    for _ in range(_ROUNDS):
        gain = np.linalg.solve(rows @ prior @ rows.T + np.diag(noise / weights), rows @ prior).T
        updated = mean + gain @ (asked - rows @ mean)
        squared = (asked - rows @ updated) ** 2 / noise
        weights = (STUDENT_FREEDOM + 1.0) / (STUDENT_FREEDOM + squared)
    posterior = prior - gain @ rows @ prior
    updated, posterior = monotone_posterior(updated, 0.5 * (posterior + posterior.T))
    moved = updated - mean
    trust = np.minimum(weights, 1.0)
    return Recalibration(
        curve=replace(
            curve, coefficients=tuple(updated.tolist()), covariance=tuple(tuple(row) for row in posterior.tolist())
        ),
        shift_points=float(moved[0]) / POINT_SG,
        tilt_points=float(moved[1]) / POINT_SG,
        disagreement_sigma=sigma,
        weights=tuple(trust.tolist()),
        suspects=tuple(np.flatnonzero(trust < 0.5).tolist()),
    )


def check_in_water(curve: Curve, *, angle_deg: float, temperature_c: float, angle_sd_deg: float = 0.2) -> WaterCheck:
    """Compare the curve with plain water, the one solution that everyone has.

    Parameters
    ----------
    angle_deg : settled float in tap water without gas; dissolved salts of hard water add less than 0.5 points
    temperature_c : °C of the water, 0..40

    Raises
    ------
    CalibrationError
        The water is colder than 0 °C or warmer than 40 °C.

    Source: water density in Kell's form (see `density.water_density_kell`).
    """
    if not 0.0 <= temperature_c <= 40.0:
        raise CalibrationError(f"water at {temperature_c:g} °C is no check; use water between 0 and 40 °C")
    expected = water_density_kell(temperature_c) / WATER_20_C
    angles = np.array([angle_deg, angle_deg + 0.5, angle_deg - 0.5])
    shown, sd = curve.evaluate(angles)
    slope = float(shown[1] - shown[2])
    total_sd = math.hypot(float(sd[0]), slope * angle_sd_deg)
    off = float(shown[0]) - expected
    agrees = abs(off) <= WATER_SIGMA * total_sd
    verdict = (
        f"the float shows water {off / POINT_SG:+.1f} points off, within its uncertainty of {total_sd / POINT_SG:.1f}"
        if agrees
        else f"the float shows water {off / POINT_SG:+.1f} points off, more than its uncertainty of "
        f"{total_sd / POINT_SG:.1f} explains: clean it, check it again, then calibrate it anew"
    )
    return WaterCheck(
        expected_sg=expected,
        shown_sg=float(shown[0]),
        off_points=off / POINT_SG,
        sd_points=total_sd / POINT_SG,
        agrees=agrees,
        verdict=verdict,
    )


def disagreement_sigma(curve: Curve, anchors: Sequence[Anchor], *, original_gravity_sg: float | None) -> float:
    """How far hand samples and curve disagree, in standard deviations beyond what chance gives; below 0: less.

    Parameters as in `recalibrate`; no anchor gives 0.

    Source: chi-squared of the differences under their joint covariance, as a normal deviate by E. B. Wilson and
    M. M. Hilferty, Proc. Natl. Acad. Sci. 17, 684-688, 1931.
    """
    if not anchors:
        return 0.0
    return recalibrate(curve, anchors, original_gravity_sg=original_gravity_sg).disagreement_sigma


def _disagreement(difference: FloatArray, covariance: FloatArray) -> float:
    squared = float(difference @ np.linalg.solve(covariance, difference))
    spread = 2.0 / (9.0 * len(difference))
    return float((np.cbrt(squared / len(difference)) - (1.0 - spread)) / math.sqrt(spread))
