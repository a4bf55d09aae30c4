"""Fit a curve through reference points: Bayesian regression that says what so few points cannot know.

The angle law of a float is smooth, gently bent and unknown. It is written as Legendre polynomials of degree 0 to 4 on
the reference range, with a prior on everything beyond the straight line. Three candidates differ in how far the line
may bend; their evidence, with that of the scatter's size, weighs them, and the curve carries the mixture's covariance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.polynomial import legendre

from calibration.curve import BASIS_SIZE, Curve
from calibration.expansion import wort_expansion_ratio
from calibration.monotone import monotone_posterior
from gylewatch.errors import CalibrationError
from gylewatch.units import POINT_SG, FloatArray
from gylewatch.values import Reference

MINIMUM_POINTS = 3

DEFAULT_ANGLE_SD_DEG = 0.2
# A settled float on still liquid repeats to about this (common practice, no source); used where no spread is stated.
DEFAULT_GRAVITY_SD_SG = 0.0007
# A solution weighed on kitchen scales to 1 g in 500 g is good to 0.4 points and one read on a glass hydrometer to
# 1 point (common practice, no source): between the two.
LEAST_ANGLE_SD_DEG = 0.02  # a stated spread of 0 means "it did not flicker", not a perfect float
LEAST_GRAVITY_SD_SG = 0.0001

DEGREES = (1, 2, 3)
# Prior sd of the coefficients of degree 2, 3, 4 relative to that of degree 1, for each candidate degree. Where they
# come from: the angle laws sin a, cos a, tan a and a over 20 to 75 degrees have |c2/c1| up to 0.3, |c3/c1| up to 0.1
# and |c4/c1| up to 0.03; below the candidate's degree the prior admits these, above it a tenth to a third of them.
BEND_SD = np.array([[0.03, 0.015, 0.008], [0.20, 0.03, 0.012], [0.20, 0.09, 0.03]])
DEGREE_PRIOR = np.array([0.25, 0.45, 0.30])
LEVEL_MEAN_SG, LEVEL_SD_SG = 1.04, 0.15  # of the curve's middle: any liquid a brewer owns
SLOPE_SD_SG = 0.15  # of the coefficient of degree 1: half the gravity range of the references

NOISE_SCALES = np.array([0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0])
# Real scatter over stated scatter. The prior is log-normal about 1: wide where nobody stated a spread.
LOG_SCALE_SD_STATED, LOG_SCALE_SD_ASSUMED = 0.35, 0.6

BLUNDER_PRIOR = 0.02  # of one point: a wrong jar, a mistyped angle
BLUNDER_SD_SG = 0.030  # how far blunders lie off: tens of points
BLUNDER_LEAST_SG = 0.003  # what lies nearer than this is scatter, whatever the evidence says
BLUNDER_EVIDENCE = 0.95  # posterior probability that something is a blunder before a point is left out
MOST_BLUNDERS = 2

DIP_SIGMAS = 4.0  # neighbours may contradict the order of the rest by this many sd of their difference
STEEPNESS_RATIO = 8.0  # between the two segments of three points; every known angle law stays below 4


@dataclass(frozen=True, slots=True, kw_only=True)
class _Points:
    """References as arrays; gravity is that of the liquid at its temperature over water at 20 °C."""

    angle_deg: FloatArray
    gravity_sg: FloatArray
    angle_sd_deg: FloatArray
    gravity_sd_sg: FloatArray
    log_scale_sd: float

    def without(self, left_out: tuple[int, ...]) -> _Points:
        keep = np.array([i not in left_out for i in range(len(self.angle_deg))])
        return _Points(
            angle_deg=self.angle_deg[keep],
            gravity_sg=self.gravity_sg[keep],
            angle_sd_deg=self.angle_sd_deg[keep],
            gravity_sd_sg=self.gravity_sd_sg[keep],
            log_scale_sd=self.log_scale_sd,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Posterior:
    mean: FloatArray  # (5,)
    covariance: FloatArray  # (5, 5)
    degree_weights: FloatArray  # (3,)


def fit_curve(references: Sequence[Reference]) -> Curve:
    """Fit one float's reference points.

    Parameters
    ----------
    references : at least three points of one float at three distinct angles, in any order

    Returns
    -------
    A curve, strictly monotone over the range of the points it used; ``excluded`` names those it did not use.

    Raises
    ------
    CalibrationError
        The points do not bear a curve: too few, equal angles, contradictory, or not in order of gravity.

    Source: Bayesian linear regression and evidence, C. M. Bishop, Pattern Recognition and Machine Learning, 2006,
    sections 3.3 and 3.4; errors in both variables by effective variance, J. Orear, Am. J. Phys. 50, 912, 1982.
    """
    points = _points(references)
    _refuse_hopeless(points)
    left_out, reasons = _blunders(points)
    used = points.without(left_out)
    _refuse_disorder(used, left_out)

    low, high = float(used.angle_deg.min()), float(used.angle_deg.max())
    posterior = _fit(used, low, high)
    mean, covariance = monotone_posterior(posterior.mean, posterior.covariance)
    row = legendre.legvander(_scaled(points.angle_deg, low, high), BASIS_SIZE - 1)
    residuals = points.gravity_sg - row @ mean
    kept = np.delete(residuals, left_out)
    bend = _edge_curvature(mean, covariance)
    return Curve(
        float_id=references[0].float_id,
        coefficients=tuple(mean.tolist()),
        covariance=tuple(tuple(row) for row in covariance.tolist()),
        angle_low_deg=low,
        angle_high_deg=high,
        degree=_degree(posterior.degree_weights, len(kept)),
        residual_sd_sg=float(np.sqrt(np.sum(kept**2) / max(len(kept) - 2, 1))),
        curvature_sd_sg=0.5 * bend,
        residuals_sg=tuple(residuals.tolist()),
        excluded=left_out,
        excluded_reasons=reasons,
    )


def _points(references: Sequence[Reference]) -> _Points:
    floats = sorted({reference.float_id for reference in references})
    if len(floats) > 1:
        raise CalibrationError(
            f"the reference points belong to several floats ({', '.join(floats)}); fit one at a time"
        )
    stated = all(r.angle_sd_deg is not None and r.gravity_sd_sg is not None for r in references)
    angle_sd = [DEFAULT_ANGLE_SD_DEG if r.angle_sd_deg is None else r.angle_sd_deg for r in references]
    gravity_sd = [DEFAULT_GRAVITY_SD_SG if r.gravity_sd_sg is None else r.gravity_sd_sg for r in references]
    return _Points(
        angle_deg=np.array([r.angle_deg for r in references], dtype=np.float64),
        gravity_sg=np.array([r.gravity_sg * wort_expansion_ratio(r.gravity_sg, r.temperature_c) for r in references]),
        angle_sd_deg=np.maximum(angle_sd, LEAST_ANGLE_SD_DEG),
        gravity_sd_sg=np.maximum(gravity_sd, LEAST_GRAVITY_SD_SG),
        log_scale_sd=LOG_SCALE_SD_STATED if stated else LOG_SCALE_SD_ASSUMED,
    )


def _refuse_hopeless(points: _Points) -> None:
    count, distinct = len(points.angle_deg), len(np.unique(points.angle_deg))
    if count < MINIMUM_POINTS:
        raise CalibrationError(
            f"{count} reference point{'' if count == 1 else 's'} cannot bear a curve; measure at least "
            f"{MINIMUM_POINTS} solutions, better five, from water to above the original gravity"
        )
    if distinct < MINIMUM_POINTS:
        raise CalibrationError(
            f"the {count} reference points lie at only {distinct} distinct angle{'' if distinct == 1 else 's'}; "
            f"a curve needs at least {MINIMUM_POINTS}: check that the float was free and the solutions differ"
        )
    slope = _robust_slope(points)
    if slope == 0.0:
        raise CalibrationError("the reference points do not change in gravity; measure solutions of different gravity")


def _refuse_disorder(points: _Points, left_out: tuple[int, ...]) -> None:
    order = np.argsort(points.angle_deg, kind="stable")
    angle, gravity = points.angle_deg[order], points.gravity_sg[order]
    slope = _robust_slope(points)
    sign = 1.0 if slope > 0 else -1.0
    noise = np.sqrt(points.gravity_sd_sg**2 + (slope * points.angle_sd_deg) ** 2)[order]
    besides = f" (even without point {_listed(left_out)})" if left_out else ""
    for i, j in zip(range(len(order) - 1), range(1, len(order)), strict=True):
        step = sign * (gravity[j] - gravity[i])
        allowed = DIP_SIGMAS * float(np.hypot(noise[i], noise[j]))
        if angle[i] == angle[j] and abs(step) > allowed:
            raise CalibrationError(
                f"two reference points lie at the same angle, {angle[i]:g}°, with gravities {gravity[i]:.4f} and "
                f"{gravity[j]:.4f}{besides}; measure both again"
            )
        if step < -allowed:
            raise CalibrationError(
                f"the reference points are not in order{besides}: from {angle[i]:g}° to {angle[j]:g}° the gravity goes "
                f"from {gravity[i]:.4f} to {gravity[j]:.4f}, against the others; measure these two again"
            )
    if len(order) == MINIMUM_POINTS:
        steep = np.abs(np.diff(gravity) / np.diff(angle))
        if steep.max() > STEEPNESS_RATIO * steep.min():
            raise CalibrationError(
                f"the three reference points disagree{besides}: {steep.max() / POINT_SG:.1f} points a degree on one "
                f"side of {angle[1]:g}° and {steep.min() / POINT_SG:.1f} on the other, more than any float bends; most "
                f"likely the point at {angle[1]:g}° (gravity {gravity[1]:.4f}) is wrong: measure it again"
            )


def _blunders(points: _Points) -> tuple[tuple[int, ...], tuple[str, ...]]:
    """Which points the rest contradict, by the evidence of "this one is a blunder" against "none is"."""
    count = len(points.angle_deg)
    if count <= MINIMUM_POINTS:
        return (), ()
    low, high = float(points.angle_deg.min()), float(points.angle_deg.max())
    singles: list[tuple[int, ...]] = [(), *((i,) for i in range(count))]
    log_evidence = _hypothesis_evidence(points, singles, low, high)
    if 1.0 - _softmax(log_evidence)[0] < BLUNDER_EVIDENCE:
        return (), ()
    hypotheses = singles
    if count >= MINIMUM_POINTS + MOST_BLUNDERS + 1:
        hypotheses = [*singles, *combinations(range(count), MOST_BLUNDERS)]
        log_evidence = _hypothesis_evidence(points, hypotheses, low, high)
    hypotheses = [h for h in hypotheses if len(np.unique(points.without(h).angle_deg)) >= MINIMUM_POINTS]
    weights = dict(zip(hypotheses, log_evidence, strict=False))
    best = max(weights, key=lambda h: weights[h])
    if not best:
        return (), ()
    reasons = []
    rest = points.without(best)
    rest_low, rest_high = float(rest.angle_deg.min()), float(rest.angle_deg.max())
    mean = _fit(rest, rest_low, rest_high).mean
    for i in best:
        x = np.clip(_scaled(points.angle_deg[i : i + 1], rest_low, rest_high), -1.5, 1.5)
        off = float(points.gravity_sg[i] - (legendre.legvander(x, BASIS_SIZE - 1) @ mean)[0])
        if abs(off) < BLUNDER_LEAST_SG:
            return (), ()
        reasons.append(
            f"point {i + 1} ({points.angle_deg[i]:g}°, gravity {points.gravity_sg[i]:.4f}) lies {off / POINT_SG:+.0f} "
            "points off what the other points say; measure it again"
        )
    return best, tuple(reasons)


def _hypothesis_evidence(points: _Points, hypotheses: Sequence[tuple[int, ...]], low: float, high: float) -> FloatArray:
    noise = _noise_variance(points, np.full(len(points.angle_deg), _robust_slope(points)))
    blunder = np.zeros((len(hypotheses), len(points.angle_deg)))
    for row, hypothesis in enumerate(hypotheses):
        blunder[row, list(hypothesis)] = BLUNDER_SD_SG**2
    log_weights, *_ = _components(points, noise, low, high, blunder)
    size = np.array([len(h) for h in hypotheses])
    top = log_weights.max(axis=(1, 2), keepdims=True)
    total = np.log(np.exp(log_weights - top).sum(axis=(1, 2))) + top[:, 0, 0]
    return np.asarray(total + size * np.log(BLUNDER_PRIOR) + (len(points.angle_deg) - size) * np.log1p(-BLUNDER_PRIOR))


def _fit(points: _Points, low: float, high: float) -> _Posterior:
    slope = np.full(len(points.angle_deg), _robust_slope(points))
    x = _scaled(points.angle_deg, low, high)
    for _ in range(2):  # the slope that turns angle noise into gravity noise settles at once
        noise = _noise_variance(points, slope)
        posterior = _mixture(points, noise, low, high)
        slope = legendre.legval(x, legendre.legder(posterior.mean)) * 2.0 / (high - low)
    return posterior


def _mixture(points: _Points, noise: FloatArray, low: float, high: float) -> _Posterior:
    log_weights, means, covariances = _components(points, noise, low, high, np.zeros((1, len(noise))))
    weights = _softmax(log_weights[0].ravel()).reshape(log_weights[0].shape)
    mean = np.einsum("ds,dsk->k", weights, means[0])
    spread = means[0] - mean
    covariance = np.einsum("ds,dskl->kl", weights, covariances[0])
    covariance += np.einsum("ds,dsk,dsl->kl", weights, spread, spread)
    return _Posterior(mean=mean, covariance=0.5 * (covariance + covariance.T), degree_weights=weights.sum(axis=1))


def _components(
    points: _Points, noise: FloatArray, low: float, high: float, extra: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log weight, mean and covariance for each hypothesis (h), candidate degree (d) and noise scale (s).

    Returns
    -------
    (h, d, s), (h, d, s, 5), (h, d, s, 5, 5)
    """
    x = _scaled(points.angle_deg, low, high)
    design = legendre.legvander(x, BASIS_SIZE - 1)
    half_span = abs(_robust_slope(points)) * 0.5 * (high - low)
    prior = np.empty((len(DEGREES), BASIS_SIZE))
    prior[:, 0], prior[:, 1] = LEVEL_SD_SG**2, SLOPE_SD_SG**2
    prior[:, 2:] = (BEND_SD * half_span) ** 2
    prior_mean = np.zeros(BASIS_SIZE)
    prior_mean[0] = LEVEL_MEAN_SG
    target = points.gravity_sg - design @ prior_mean

    variance = noise * NOISE_SCALES[:, None] ** 2 + extra[:, None, :]  # (h, s, n)
    signal = np.einsum("nk,dk,mk->dnm", design, prior, design)
    total = signal[None, :, None] + variance[:, None, :, :, None] * np.eye(len(x))
    cross = prior[:, :, None] * design.T  # (d, 5, n)
    solved = np.linalg.solve(total, np.broadcast_to(target[:, None], (*total.shape[:-1], 1)))[..., 0]
    _, log_det = np.linalg.slogdet(total)
    means = prior_mean + np.einsum("dkn,hdsn->hdsk", cross, solved)
    gain = np.linalg.solve(
        total, np.broadcast_to(np.swapaxes(cross, -1, -2)[None, :, None], (*total.shape[:-1], BASIS_SIZE))
    )
    covariances = prior[None, :, None, :, None] * np.eye(BASIS_SIZE) - np.einsum("dkn,hdsnl->hdskl", cross, gain)
    log_scale = -0.5 * (np.log(NOISE_SCALES) / points.log_scale_sd) ** 2
    log_weights = (
        -0.5 * (np.einsum("n,hdsn->hds", target, solved) + log_det) + np.log(DEGREE_PRIOR)[:, None] + log_scale
    )
    return log_weights, means, covariances


def _noise_variance(points: _Points, slope_sg_per_deg: FloatArray) -> FloatArray:
    return np.asarray(points.gravity_sd_sg**2 + (slope_sg_per_deg * points.angle_sd_deg) ** 2)


def _robust_slope(points: _Points) -> float:
    """Median slope of all pairs, SG per degree (Theil 1950, Sen 1968)."""
    first, second = np.triu_indices(len(points.angle_deg), 1)
    run = points.angle_deg[second] - points.angle_deg[first]
    rise = points.gravity_sg[second] - points.gravity_sg[first]
    apart = run != 0.0
    return float(np.median(rise[apart] / run[apart]))


def _edge_curvature(mean: FloatArray, covariance: FloatArray) -> float:
    # Root mean square of the second derivative in x at the worse edge: what the tangent beyond it leaves out.
    worst = 0.0
    for edge in (-1.0, 1.0):
        row = np.array([float(legendre.legval(edge, legendre.legder(unit, 2))) for unit in np.eye(BASIS_SIZE)])
        worst = max(worst, float(np.sqrt((row @ mean) ** 2 + row @ covariance @ row)))
    return worst


def _degree(weights: FloatArray, count: int) -> int:
    most = 2 if count == MINIMUM_POINTS else min(count - 2, DEGREES[-1])
    return DEGREES[int(np.argmax(weights[:most]))]


def _scaled(angle_deg: FloatArray, low: float, high: float) -> FloatArray:
    return np.asarray((2.0 * angle_deg - low - high) / (high - low))


def _softmax(log_weights: FloatArray) -> FloatArray:
    weights = np.exp(log_weights - log_weights.max())
    return np.asarray(weights / weights.sum())


def _listed(places: tuple[int, ...]) -> str:
    return " and ".join(str(i + 1) for i in places)
