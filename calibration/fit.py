"""Fit a curve through a float's reference points, or say in one sentence why they do not bear one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations
from statistics import median

import numpy as np

from calibration.blunders import suspect_blunders
from calibration.curve import BASIS_SIZE, Curve, tangent_rows
from calibration.expansion import wort_expansion_ratio
from calibration.monotone import monotone_posterior
from calibration.regression import (
    DEGREES,
    LOG_SCALE_SD_ASSUMED,
    LOG_SCALE_SD_STATED,
    Points,
    count_distinct,
    fit_posterior,
    gravity_noise_variance,
    mix,
)
from gylewatch.counting import counted
from gylewatch.errors import CalibrationError
from gylewatch.units import POINT_SG, FloatArray
from gylewatch.values import Reference

MINIMUM_POINTS = 3
MOST_POINTS = 60
# Two blunders among more take seconds and hundreds of megabytes to weigh, and no brewer has so many solutions.

DEFAULT_ANGLE_SD_DEG = 0.2
# A settled float on still liquid repeats to about this (common practice, no source); used where no spread is stated.
DEFAULT_GRAVITY_SD_SG = 0.0007
# A solution weighed on kitchen scales to 1 g in 500 g is good to 0.4 points and one read on a glass hydrometer to
# 1 point (common practice, no source): between the two.
LEAST_ANGLE_SD_DEG = 0.02  # a stated spread of 0 means "it did not flicker", not a perfect float
LEAST_GRAVITY_SD_SG = 0.0001

DIP_SIGMAS = 4.0  # neighbours may contradict the order of the rest by this many sd of their difference
STEEPNESS_RATIO = 5.0
# Between the two segments of three points. Known angle laws over 20..72 degrees stay below 2.5; 5 leaves room for
# solutions unevenly spread and for scatter.


def fit_curve(references: Sequence[Reference]) -> Curve:
    """Fit one float's reference points.

    Parameters
    ----------
    references : at least three points of one float at three distinct angles, in any order

    Returns
    -------
    A curve, strictly monotone over the range of the points it used; ``excluded`` names those it did not use. Its degree
    is the most probable by evidence among 1..3, at most n - 2 (2 for three points).

    Raises
    ------
    CalibrationError
        The points do not bear a curve: too few or many, too close together, contradictory, or not in order of gravity.

    Source: see `calibration.regression`; blunders `calibration.blunders`; monotone `calibration.monotone`.
    """
    points = _points(references)
    _refuse_number(points)
    _refuse_narrow(points)
    _refuse_contradiction(points)
    suspicion = suspect_blunders(points, MINIMUM_POINTS)
    used = points.without(suspicion.left_out)
    _refuse_disorder(used, suspicion.left_out)

    range_deg = used.range_deg()
    posterior = mix([(weight, fit_posterior(points.without(h), range_deg)) for h, weight in suspicion.doubts])
    mean, covariance = monotone_posterior(posterior.mean, posterior.covariance)
    rows, _ = tangent_rows(points.angle_deg, range_deg)
    residuals = points.gravity_sg - rows @ mean
    kept = np.delete(residuals, suspicion.left_out)
    return Curve(
        float_id=references[0].float_id,
        coefficients=tuple(mean.tolist()),
        covariance=tuple(tuple(row) for row in covariance.tolist()),
        angle_low_deg=range_deg[0],
        angle_high_deg=range_deg[1],
        degree=_degree(posterior.degree_weights, len(kept)),
        residual_sd_sg=float(np.sqrt(np.sum(kept**2) / max(len(kept) - 2, 1))),
        curvature_sd_sg=0.5 * _edge_curvature(mean, covariance),
        residuals_sg=tuple(residuals.tolist()),
        excluded=suspicion.left_out,
        excluded_reasons=suspicion.reasons,
    )


def _points(references: Sequence[Reference]) -> Points:
    floats = sorted({reference.float_id for reference in references})
    if len(floats) > 1:
        raise CalibrationError(
            f"the reference points belong to several floats ({', '.join(floats)}); fit one at a time"
        )
    stated = all(r.angle_sd_deg is not None and r.gravity_sd_sg is not None for r in references)
    angle_sd = [DEFAULT_ANGLE_SD_DEG if r.angle_sd_deg is None else r.angle_sd_deg for r in references]
    gravity_sd = [DEFAULT_GRAVITY_SD_SG if r.gravity_sd_sg is None else r.gravity_sd_sg for r in references]
    return Points(
        angle_deg=np.array([r.angle_deg for r in references], dtype=np.float64),
        gravity_sg=np.array([r.gravity_sg * wort_expansion_ratio(r.gravity_sg, r.temperature_c) for r in references]),
        angle_sd_deg=np.maximum(angle_sd, LEAST_ANGLE_SD_DEG),
        gravity_sd_sg=np.maximum(gravity_sd, LEAST_GRAVITY_SD_SG),
        log_scale_sd=LOG_SCALE_SD_STATED if stated else LOG_SCALE_SD_ASSUMED,
    )


def _refuse_number(points: Points) -> None:
    count, distinct = len(points.angle_deg), count_distinct(points.angle_deg)
    if count < MINIMUM_POINTS:
        raise CalibrationError(
            f"{counted(count, 'reference point')} cannot bear a curve; measure at least {MINIMUM_POINTS} solutions, "
            "better five, from water to above the original gravity"
        )
    if distinct < MINIMUM_POINTS:
        raise CalibrationError(
            f"the {count} reference points lie at only {counted(distinct, 'distinct angle')}; a curve needs at least "
            f"{MINIMUM_POINTS}: check that the float was free and the solutions differ"
        )
    if count > MOST_POINTS:
        raise CalibrationError(
            f"{count} reference points are more than the {MOST_POINTS} that can be weighed against each other; write "
            "one row for each solution, with the mean angle and its spread as angle_sd_deg"
        )


def _refuse_narrow(points: Points) -> None:
    """What differs by no more than its own errors says nothing of the slope, and an angle of it would mean anything."""
    gravity, angle = float(np.ptp(points.gravity_sg)), float(np.ptp(points.angle_deg))
    pair = math.sqrt(2.0)  # two points differ
    if points.slope_sg_per_deg == 0.0 or gravity <= DIP_SIGMAS * pair * median(points.gravity_sd_sg.tolist()):
        raise CalibrationError(
            f"the reference points do not change in gravity beyond their errors (by {gravity / POINT_SG:.1f} points in "
            "all); measure solutions of different gravity, from water to above the original gravity"
        )
    if angle <= DIP_SIGMAS * pair * median(points.angle_sd_deg.tolist()):
        raise CalibrationError(
            f"the reference points lie within {angle:.2g} degrees, no more than their errors; check that the float was "
            "free to turn in each solution"
        )


def _refuse_contradiction(points: Points) -> None:
    slope = points.slope_sg_per_deg
    variance = gravity_noise_variance(points, slope)
    for i, j in combinations(range(len(points.angle_deg)), 2):
        apart = abs(float(points.gravity_sg[i] - points.gravity_sg[j]))
        if points.angle_deg[i] == points.angle_deg[j] and apart > DIP_SIGMAS * math.sqrt(variance[i] + variance[j]):
            raise CalibrationError(
                f"points {i + 1} and {j + 1} lie at the same angle, {points.angle_deg[i]:g}°, but differ by "
                f"{apart / POINT_SG:.0f} points of gravity; measure both again"
            )


def _refuse_disorder(points: Points, left_out: tuple[int, ...]) -> None:
    order = np.argsort(points.angle_deg, kind="stable")
    angle, gravity = points.angle_deg[order], points.gravity_sg[order]
    slope = points.slope_sg_per_deg
    sign = 1.0 if slope > 0 else -1.0
    noise = np.sqrt(gravity_noise_variance(points, slope))[order]
    besides = f" (even without point {' and '.join(str(i + 1) for i in left_out)})" if left_out else ""
    for i in range(len(order) - 1):
        step = sign * float(gravity[i + 1] - gravity[i])
        allowed = DIP_SIGMAS * float(np.hypot(noise[i], noise[i + 1]))
        if step < -allowed or (step <= 0.0 and len(order) == MINIMUM_POINTS):
            raise CalibrationError(
                f"the reference points are not in order{besides}: from {angle[i]:g}° to {angle[i + 1]:g}° the gravity "
                f"goes from {gravity[i]:.4f} to {gravity[i + 1]:.4f}, against the others; measure these two again"
            )
    if len(order) == MINIMUM_POINTS:
        _refuse_absurd_bend(angle, gravity, besides)


def _refuse_absurd_bend(angle_deg: FloatArray, gravity_sg: FloatArray, besides: str) -> None:
    steep = np.abs(np.diff(gravity_sg) / np.diff(angle_deg)) / POINT_SG
    if steep.max() > STEEPNESS_RATIO * steep.min():
        raise CalibrationError(
            f"the three reference points disagree{besides}: {steep[0]:.1f} points a degree below {angle_deg[1]:g}° and "
            f"{steep[1]:.1f} above, more than any float bends; most likely the point at {angle_deg[1]:g}° (gravity "
            f"{gravity_sg[1]:.4f}) is wrong: measure it again"
        )


def _edge_curvature(mean: FloatArray, covariance: FloatArray) -> float:
    # Root mean square of the second derivative in x at the worse edge: what the tangent beyond it leaves out.
    # P_k''(1) = (k - 1) k (k + 1) (k + 2)/8; at -1 with alternating signs.
    k = np.arange(BASIS_SIZE)
    high = (k - 1) * k * (k + 1) * (k + 2) / 8.0
    rows = np.stack([high, high * (-1.0) ** k])
    return float(np.sqrt(((rows @ mean) ** 2 + np.einsum("ek,kl,el->e", rows, covariance, rows)).max()))


def _degree(weights: FloatArray, count: int) -> int:
    most = 2 if count == MINIMUM_POINTS else min(count - 2, DEGREES[-1])
    return DEGREES[int(np.argmax(weights[:most]))]
