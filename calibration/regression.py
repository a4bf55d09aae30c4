"""Bayesian regression of gravity on angle with so few points that the prior matters.

The angle law of a float is smooth, gently bent and unknown. It is written as Legendre polynomials of degree 0 to 4 on
the reference range, with a prior on everything beyond the straight line. Four candidates differ in how far the line
may bend; their evidence, with that of the scatter's size, weighs them, and the result carries the mixture's covariance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

import numpy as np
from numpy.polynomial import legendre

from calibration.curve import BASIS_SIZE
from gylewatch.units import FloatArray

DEGREES = (1, 2, 3)
LEVEL_MEAN_SG = 1.04

NOISE_SCALES = np.array([0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0])
# Real scatter over stated scatter. The prior is log-normal about 1: wider where nobody stated a spread.
LOG_SCALE_SD_STATED, LOG_SCALE_SD_ASSUMED = 0.3, 0.45


def count_distinct(values: FloatArray) -> int:
    """How many different values there are. Not by numpy's `unique`, which loads the masked arrays as well."""
    return len(set(values.tolist()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is known of a float's angle law before it is measured: one row for each candidate degree."""

    bend_sd: tuple[tuple[float, float, float], ...]  # of coefficients 2, 3, 4 over half the references' gravity range
    weights: tuple[float, ...]  # of the candidates, sum 1
    degrees: tuple[int, ...]  # of `DEGREES`, the one to which each candidate comes nearest
    level_sd_sg: float = 0.15  # of the curve's middle about `LEVEL_MEAN_SG`: any liquid a brewer owns
    slope_sd_sg: float = 0.15  # of the coefficient of degree 1: half the gravity range of the references


SMOOTH_FLOAT = Prior(
    bend_sd=((0.025, 0.008, 0.003), (0.12, 0.010, 0.003), (0.12, 0.025, 0.006), (0.12, 0.10, 0.025)),
    weights=(0.242, 0.484, 0.244, 0.03),
    degrees=(1, 2, 3, 3),
)
# Where the bends come from: over 20..70 degrees the angle laws sin a, cos a, tan a, cot a and powers of a have c2/c1 of
# 0.08 (root mean square; greatest 0.21), c3/c1 of 0.015 (0.06) and c4/c1 of 0.002 (0.013). The last candidate is a
# float whose law is S-shaped, as that of a ballasted cylinder which lies down (hydrostatics: c3/c1 up to 0.16). It is
# thought rare, so that three points do not suggest it, and five can.


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """References as (n,) arrays; gravity is that of the liquid at its temperature over water at 20 °C."""

    angle_deg: FloatArray
    gravity_sg: FloatArray
    angle_sd_deg: FloatArray
    gravity_sd_sg: FloatArray
    log_scale_sd: float  # how far real scatter may differ from the stated
    slope_sg_per_deg: float = field(init=False)  # median slope of all pairs (Theil 1950, Sen 1968); 0 for one angle

    def __post_init__(self) -> None:
        first, second = np.triu_indices(len(self.angle_deg), 1)
        run = self.angle_deg[second] - self.angle_deg[first]
        apart = run != 0.0
        rise = self.gravity_sg[second] - self.gravity_sg[first]
        # Not numpy's median: it loads the masked arrays, which takes longer than the whole fit.
        slope = median((rise[apart] / run[apart]).tolist()) if apart.any() else 0.0
        object.__setattr__(self, "slope_sg_per_deg", slope)

    def without(self, left_out: Sequence[int]) -> Points:
        """The points but those at the places `left_out`."""
        return Points(
            angle_deg=np.delete(self.angle_deg, left_out),
            gravity_sg=np.delete(self.gravity_sg, left_out),
            angle_sd_deg=np.delete(self.angle_sd_deg, left_out),
            gravity_sd_sg=np.delete(self.gravity_sd_sg, left_out),
            log_scale_sd=self.log_scale_sd,
        )

    def range_deg(self) -> tuple[float, float]:
        """Least and greatest angle."""
        return float(self.angle_deg.min()), float(self.angle_deg.max())

    def basis(self, range_deg: tuple[float, float]) -> FloatArray:
        """(n, 5) Legendre polynomials at the angles, scaled to `range_deg`."""
        low, high = range_deg
        scaled = (2.0 * self.angle_deg - low - high) / (high - low)
        return np.asarray(legendre.legvander(scaled, BASIS_SIZE - 1), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """What is believed of the coefficients."""

    mean: FloatArray  # (5,) SG
    covariance: FloatArray  # (5, 5) SG²
    degree_weights: FloatArray  # (3,) probability of each of `DEGREES`


def fit_posterior(points: Points, range_deg: tuple[float, float], prior: Prior = SMOOTH_FLOAT) -> Posterior:
    """Posterior of the coefficients, mixed over candidate degree and scatter.

    Source: C. M. Bishop, Pattern Recognition and Machine Learning, 2006, sections 3.3 and 3.4; errors in both variables
    by effective variance, J. Orear, Am. J. Phys. 50, 912-916, 1982.
    """
    slope = np.full(len(points.angle_deg), points.slope_sg_per_deg)
    low, high = range_deg
    x = (2.0 * points.angle_deg - low - high) / (high - low)
    none = np.zeros((1, len(x)))
    for _ in range(2):  # the slope that turns angle noise into gravity noise settles at once
        components = _components(points, slope, range_deg, none, prior)
        weights = softmax(components.log_weights[0])
        means, covariances = components.gaussians()
        mean, covariance = _moments(weights.ravel(), means, covariances)
        slope = legendre.legval(np.clip(x, -1.0, 1.0), legendre.legder(mean)) * 2.0 / (high - low)
    by_candidate = weights.sum(axis=1)
    by_degree = np.array([by_candidate[np.equal(prior.degrees, degree)].sum() for degree in DEGREES])
    return Posterior(mean=mean, covariance=covariance, degree_weights=by_degree)


def mix(parts: Sequence[tuple[float, Posterior]]) -> Posterior:
    """One Gaussian with the moments of the weighted mixture; the weights sum to 1."""
    weights = np.array([weight for weight, _ in parts])
    mean, covariance = _moments(
        weights, np.stack([part.mean for _, part in parts]), np.stack([part.covariance for _, part in parts])
    )
    degrees = weights @ np.stack([part.degree_weights for _, part in parts])
    return Posterior(mean=mean, covariance=covariance, degree_weights=degrees)


def log_evidence(points: Points, extra_variance: FloatArray) -> FloatArray:
    """Log evidence of the points for several hypotheses.

    Parameters
    ----------
    extra_variance : (h, n) SG² added to each point's own variance under each hypothesis

    Returns
    -------
    (h,) up to one constant for all
    """
    slope = np.full(len(points.angle_deg), points.slope_sg_per_deg)
    log_weights = _components(points, slope, points.range_deg(), extra_variance, SMOOTH_FLOAT).log_weights
    top = log_weights.max(axis=(1, 2))
    return np.asarray(np.log(np.exp(log_weights - top[:, None, None]).sum(axis=(1, 2))) + top)


def gravity_noise_variance(points: Points, slope_sg_per_deg: FloatArray | float) -> FloatArray:
    """(n,) SG²: errors of gravity and, through the slope, of angle (effective variance)."""
    return np.asarray(points.gravity_sd_sg**2 + (slope_sg_per_deg * points.angle_sd_deg) ** 2)


def softmax(log_weights: FloatArray) -> FloatArray:
    """Weights that sum to 1 over the whole array."""
    weights = np.exp(log_weights - log_weights.max())
    return np.asarray(weights / weights.sum())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Components:
    """One Gaussian for each hypothesis (h), candidate degree (d) and noise scale (s)."""

    log_weights: FloatArray  # (h, d, s)
    prior_mean: FloatArray  # (5,)
    prior_variance: FloatArray  # (d, 5)
    design: FloatArray  # (n, 5)
    target: FloatArray  # (n,) observations less prior mean
    variance: FloatArray  # (h, s, n) of the observations about the curve

    def gaussians(self) -> tuple[FloatArray, FloatArray]:
        """(d s, 5) means and (d s, 5, 5) covariances of the first hypothesis, by their precision."""
        weighted = self.design.T / self.variance[0][:, None, :]  # (s, 5, n)
        precision = (weighted @ self.design)[None] + (1.0 / self.prior_variance)[:, None, :, None] * np.eye(BASIS_SIZE)
        covariances = np.linalg.inv(precision)
        means = self.prior_mean + (covariances @ (weighted @ self.target)[None, ..., None])[..., 0]
        return means.reshape(-1, BASIS_SIZE), covariances.reshape(-1, BASIS_SIZE, BASIS_SIZE)


def _components(
    points: Points, slope_sg_per_deg: FloatArray, range_deg: tuple[float, float], extra: FloatArray, prior: Prior
) -> _Components:
    design = points.basis(range_deg)
    half_span = abs(points.slope_sg_per_deg) * 0.5 * (range_deg[1] - range_deg[0])
    before = np.empty((len(prior.weights), BASIS_SIZE))
    before[:, 0], before[:, 1] = prior.level_sd_sg**2, prior.slope_sd_sg**2
    before[:, 2:] = (np.array(prior.bend_sd) * half_span) ** 2
    prior_mean = np.zeros(BASIS_SIZE)
    prior_mean[0] = LEVEL_MEAN_SG
    target = points.gravity_sg - design @ prior_mean

    noise = gravity_noise_variance(points, slope_sg_per_deg)
    variance = noise * NOISE_SCALES[:, None] ** 2 + extra[:, None, :]
    signal = design @ (before[:, :, None] * design.T)  # (d, n, n)
    total = signal[None, :, None] + variance[:, None, :, :, None] * np.eye(len(target))  # (h, d, s, n, n)
    solved = np.linalg.solve(total, np.broadcast_to(target[:, None], (*total.shape[:-1], 1)))[..., 0]
    _, log_determinant = np.linalg.slogdet(total)
    log_scale_prior = -0.5 * (np.log(NOISE_SCALES) / points.log_scale_sd) ** 2
    fit = -0.5 * (solved @ target + log_determinant)
    return _Components(
        log_weights=fit + np.log(np.array(prior.weights))[:, None] + log_scale_prior,
        prior_mean=prior_mean,
        prior_variance=before,
        design=design,
        target=target,
        variance=variance,
    )


def _moments(weights: FloatArray, means: FloatArray, covariances: FloatArray) -> tuple[FloatArray, FloatArray]:
    mean = weights @ means
    spread = means - mean
    covariance = np.einsum("c,ckl->kl", weights, covariances) + np.einsum("c,ck,cl->kl", weights, spread, spread)
    return mean, 0.5 * (covariance + covariance.T)
