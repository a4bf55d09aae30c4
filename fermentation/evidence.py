"""Update: what one measurement does to the belief, with outliers and knocks allowed for."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fermentation.belief import FOAM, OFFSET, Cloud, FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """A heavy-tailed error as a mixture of normal ones: shares and standard deviations relative to the usual one."""

    share: tuple[float, ...]
    scale: tuple[float, ...]


FLOAT_SCATTER = Scatter(share=(0.80, 0.16, 0.04), scale=(1.0, 3.0, 15.0))
# Rocking and bubbles are heavy-tailed; a wild packet comes now and then
SAMPLE_SCATTER = Scatter(share=(0.90, 0.10), scale=(1.0, 6.0))
# One hand sample in ten is misread or undegassed (common practice, no source)

KNOCK_CHANCE = 0.002
KNOCK_SD_POINTS = 2.5
# A knock (hop addition, sampling, moving the vessel) may shift the float for good, or end a foam bias in one step
SUSPICIOUS_SIGMA = 2.0
# Knocks are weighed only when a reading lies this far off: it saves most of the work


def innovation(cloud: Cloud, rows: FloatArray, value: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(n,) surprise, (n, m) covariance with the state, (n,) variance without the measurement's own error."""
    surprise = value - np.einsum("ij,ij->i", rows, cloud.mean)
    towards = np.einsum("ijk,ik->ij", cloud.covariance, rows)
    variance = np.einsum("ij,ij->i", rows, towards)
    return surprise, towards, variance


def take(cloud: Cloud, rows: FloatArray, value: float, sd: float, scatter: Scatter, *, knocks: bool) -> Cloud:
    """The cloud after measuring `value` = rows . state + error.

    Parameters
    ----------
    rows : (n, m) measurement row of each particle
    value, sd : points
    scatter : shape of the error
    knocks : whether a sudden shift of the float is an explanation too

    Notes
    -----
    Each particle weighs every explanation by how well it predicts the value, and the result is collapsed to one
    normal distribution with the same mean and covariance (generalised pseudo-Bayesian estimator of first order:
    Bar-Shalom, Li and Kirubarajan, Estimation with Applications to Tracking and Navigation, 2001, section 11.6).
    """
    surprise, towards, variance = innovation(cloud, rows, value)
    weights = np.exp(cloud.log_weight)
    typical = float(np.sqrt(weights @ (surprise**2 / (variance + sd**2))))
    shifts: tuple[int | None, ...] = (None, OFFSET, FOAM) if knocks and typical > SUSPICIOUS_SIGMA else (None,)
    gains, leftovers, log_shares = [], [], []
    for shift in shifts:
        pull, spread = towards, variance
        prior = np.log(1.0 - KNOCK_CHANCE) if shift is None else np.log(0.5 * KNOCK_CHANCE)
        if shift is not None:
            pull = towards.copy()
            pull[:, shift] += KNOCK_SD_POINTS**2 * rows[:, shift]
            spread = variance + (KNOCK_SD_POINTS * rows[:, shift]) ** 2
        for share, scale in zip(scatter.share, scatter.scale, strict=True):
            total = spread + (scale * sd) ** 2
            log_shares.append(prior + np.log(share) - 0.5 * (surprise**2 / total + np.log(2.0 * np.pi * total)))
            gains.append((pull, total))
            leftovers.append(shift)
    return _collapse(cloud, surprise, gains, leftovers, np.array(log_shares))


def _collapse(
    cloud: Cloud,
    surprise: FloatArray,
    gains: list[tuple[FloatArray, FloatArray]],
    shifts: list[int | None],
    log_shares: FloatArray,
) -> Cloud:
    top = log_shares.max(axis=0)
    shares = np.exp(log_shares - top)
    sums = shares.sum(axis=0)
    log_likelihood = top + np.log(sums)
    shares /= sums
    step = np.zeros_like(cloud.mean)
    covariance = cloud.covariance.copy()
    by_pull: dict[int, tuple[FloatArray, FloatArray, FloatArray]] = {}
    for (pull, total), share in zip(gains, shares, strict=True):
        step += (share * surprise / total)[:, None] * pull
        shrink, second = share / total, share * (surprise / total) ** 2
        known = by_pull.get(id(pull))
        by_pull[id(pull)] = (pull, shrink, second) if known is None else (pull, known[1] + shrink, known[2] + second)
    for pull, shrink, second in by_pull.values():
        # the outer product first: it is exactly symmetric, and stays so when stored by its upper triangle
        covariance += (second - shrink)[:, None, None] * (pull[:, :, None] * pull[:, None, :])
    covariance -= step[:, :, None] * step[:, None, :]
    for shift in (OFFSET, FOAM):
        knocked = sum((share for share, at in zip(shares, shifts, strict=True) if at == shift), np.zeros(1))
        covariance[:, shift, shift] += KNOCK_SD_POINTS**2 * knocked
    log_weight = cloud.log_weight + log_likelihood
    return replace(cloud, log_weight=log_weight, mean=cloud.mean + step, covariance=covariance)


def normalised(log_weight: FloatArray) -> FloatArray:
    """The weights shifted so that their exponentials sum to one."""
    top = log_weight.max()
    shifted: FloatArray = log_weight - (top + np.log(np.exp(log_weight - top).sum()))
    return shifted


def resample(cloud: Cloud, generator: np.random.Generator) -> Cloud:
    """Draw the particles anew when few carry the weight, and spread what they share (Liu and West, 2001).

    Source: systematic resampling (Kitagawa, J. Comput. Graph. Stat. 5, 1-25, 1996); kernel with shrinkage (Liu and
    West, in Doucet, de Freitas and Gordon, Sequential Monte Carlo Methods in Practice, 2001, chapter 10).
    """
    log_weight = normalised(cloud.log_weight)
    weights = np.exp(log_weight)
    n = len(weights)
    if 1.0 / (weights @ weights) > RESAMPLE_BELOW * n:
        return replace(cloud, log_weight=log_weight)
    at = (generator.random() + np.arange(n)) / n
    chosen = np.minimum(np.searchsorted(np.cumsum(weights), at), n - 1)
    static = np.column_stack([cloud.log_k, cloud.log_a, cloud.log_b])
    centre = weights @ static
    deviation = static - centre
    factor = np.linalg.cholesky((weights[:, None] * deviation).T @ deviation + 1e-9 * np.eye(3))
    shrink = np.sqrt(1.0 - KERNEL_WIDTH**2)
    noise = KERNEL_WIDTH * generator.standard_normal((n, 3)) @ factor.T
    spread = centre + shrink * deviation[chosen] + noise
    return Cloud(
        log_weight=np.full(n, -np.log(n)),
        z=cloud.z[chosen],
        log_k=spread[:, 0].copy(),
        log_a=spread[:, 1].copy(),
        log_b=spread[:, 2].copy(),
        foam_sd=cloud.foam_sd[chosen],
        stalled=cloud.stalled[chosen],
        mean=cloud.mean[chosen],
        covariance=cloud.covariance[chosen],
    )


RESAMPLE_BELOW = 0.5
KERNEL_WIDTH = 0.12
