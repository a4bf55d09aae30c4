"""Update: what one measurement does to the belief, with outliers and knocks allowed for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import log, log1p

import numpy as np

from fermentation.belief import FINAL, FOAM, OFFSET, BoolArray, Cloud, FloatArray, SingleArray, Z, normalised, picked
from fermentation.covariance import widened
from fermentation.kinetics import Z_LIMIT, between, shape_of
from fermentation.moves import Endings, redraw
from gylewatch.copying import replace


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """A heavy-tailed error as a mixture of normal ones.

    share : of each; scale : standard deviation of the first ones relative to the usual one; wild_points : of the rest
    """

    share: tuple[float, ...]
    scale: tuple[float, ...]
    wild_points: tuple[float, ...]

    def sds_points(self, usual_points: float) -> tuple[float, ...]:
        """The standard deviations of the mixture's parts."""
        return (*(scale * usual_points for scale in self.scale), *self.wild_points)


FLOAT_SCATTER = Scatter(share=(0.80, 0.15, 0.04, 0.01), scale=(1.0, 3.0, 9.0), wild_points=(50.0,))
# Rocking and bubbles are heavy-tailed; a wild packet comes now and then
SAMPLE_SCATTER = Scatter(share=(0.90, 0.09, 0.01), scale=(1.0,), wild_points=(5.0, 30.0))
# One hand sample in ten is misread, undegassed or typed wrong, by as much with an exact instrument as with a coarse one
# (common practice, no source)

KNOCK_CHANCE = 0.001
KNOCK_SD_POINTS = 2.5
# A knock (hop addition, sampling, moving the vessel) may shift the float for good, or end a foam bias in one step
ASTRAY_CHANCE, ASTRAY_SD_POINTS = 0.05, 4.0
# A hand sample far from the belief may be the fault of the float: a blundered reference, a knock taken for beer (common
# practice, no source)
SUSPICIOUS_SIGMA = 2.0
# Knocks and breaking foam are weighed only when a reading lies this far off: it saves most of the work


@dataclass(frozen=True, slots=True, kw_only=True)
class Innovation:
    """What a measurement says that was not expected."""

    surprise: FloatArray  # (n,) measured less expected
    rows: FloatArray  # (m, n) slope of what is measured by each state
    towards: FloatArray  # (m, n) its covariance with the state
    variance: FloatArray  # (n,) of what is expected, without the measurement's own error

    def where(self, drawn: BoolArray, other: Innovation) -> Innovation:
        """What it says to the particles `drawn`, and `other`, with the same slopes, to the rest."""
        return Innovation(
            surprise=np.where(drawn, self.surprise, other.surprise),
            rows=other.rows,
            towards=np.where(drawn, self.towards, other.towards),
            variance=np.where(drawn, self.variance, other.variance),
        )


def innovation(cloud: Cloud, expected: FloatArray, rows: FloatArray, value: float) -> Innovation:
    """Compare `value` with what each particle expects, `expected` (n,); `rows` (m, n) is the slope of that by state."""
    return towards_state(cloud, value - expected, rows)


def towards_state(cloud: Cloud, surprise: FloatArray, rows: FloatArray) -> Innovation:
    """The innovation of which only the surprise (n,) and the slopes (m, n) are known."""
    towards = np.einsum("jkn,kn->jn", cloud.covariance, rows.astype(np.float32)).astype(np.float64)
    return Innovation(surprise=surprise, rows=rows, towards=towards, variance=np.einsum("jn,jn->n", rows, towards))


def squared_surprise(cloud: Cloud, measured: Innovation, sd: float) -> float:
    """How far off the measurement lies over all particles, squared, in units of what is expected of it."""
    return float(np.exp(cloud.log_weight) @ (measured.surprise**2 / (measured.variance + sd**2)))


def is_suspicious(cloud: Cloud, measured: Innovation, sd: float) -> bool:
    """Whether the measurement lies so far off that something may have happened to the float."""
    return squared_surprise(cloud, measured, sd) > SUSPICIOUS_SIGMA**2


def log_likelihood(measured: Innovation, sd: float, scatter: Scatter) -> FloatArray:
    """(n,) of the measurement, without sudden shifts."""
    return _explained(_causes((), measured), measured.surprise, sd, scatter).log_likelihood


def take(cloud: Cloud, measured: Innovation, *, sd: float, scatter: Scatter, shifts: Shifts | None) -> Cloud:
    """The cloud after a measurement.

    Parameters
    ----------
    measured : what it says to this very cloud
    sd : points
    scatter : shape of the error
    shifts : gives what else may explain it, if it is far off

    Notes
    -----
    Each particle weighs every explanation by how well it predicts the value, and the result is collapsed to one
    normal distribution with the same mean and covariance (generalised pseudo-Bayesian estimator of first order:
    Bar-Shalom, Li and Kirubarajan, Estimation with Applications to Tracking and Navigation, 2001, section 11.6).
    """
    causes = _causes(shifts() if shifts and is_suspicious(cloud, measured, sd) else (), measured)
    found = _explained(causes, measured.surprise, sd, scatter)
    mean, covariance = _collapse(cloud, causes, measured.surprise, found.totals, found.shares)
    log_weight = normalised(cloud.log_weight + found.log_likelihood)
    return replace(cloud, log_weight=log_weight, mean=mean, covariance=covariance)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """Something that may have moved the state at once, and by how much."""

    chance: float
    sd_points: float
    direction: FloatArray  # (m, n) or (m, 1)


Shifts = Callable[[], Sequence[Shift]]


def knocks(cloud: Cloud) -> tuple[Shift, ...]:
    """The float was knocked, or its foam changed at once."""
    units = np.eye(len(cloud.mean))
    return tuple(
        Shift(chance=0.5 * KNOCK_CHANCE, sd_points=KNOCK_SD_POINTS, direction=units[:, [one]]) for one in (OFFSET, FOAM)
    )


def astray(measured: Innovation) -> tuple[Shift, ...]:
    """The float has misled the belief, in the way in which it is least certain, by more than it knows."""
    direction = measured.towards / np.maximum(measured.variance, 1e-6)
    return (Shift(chance=ASTRAY_CHANCE, sd_points=ASTRAY_SD_POINTS, direction=direction),)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cause:
    """One explanation of a surprise: none needed, or a shift of the state."""

    shift: Shift | None
    log_chance: float
    pull: FloatArray  # (m, n) covariance of the measurement with the state
    variance: FloatArray  # (n,) of the measurement, without its own error


def _causes(shifts: Sequence[Shift], measured: Innovation) -> list[_Cause]:
    unmoved = log1p(-sum(shift.chance for shift in shifts))
    causes = [_Cause(shift=None, log_chance=unmoved, pull=measured.towards, variance=measured.variance)]
    for shift in shifts:
        reach = (shift.direction * measured.rows).sum(axis=0)
        causes.append(
            _Cause(
                shift=shift,
                log_chance=log(shift.chance),
                pull=measured.towards + shift.sd_points**2 * reach * shift.direction,
                variance=measured.variance + (shift.sd_points * reach) ** 2,
            )
        )
    return causes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Explained:
    """How each particle shares out a surprise among causes and parts of the scatter."""

    totals: FloatArray  # (causes * parts, n) variance of the measurement
    shares: FloatArray  # (causes * parts, n) sum to one over the first
    log_likelihood: FloatArray  # (n,)


def _explained(causes: Sequence[_Cause], surprise: FloatArray, sd: float, scatter: Scatter) -> _Explained:
    parts = np.array(scatter.sds_points(sd))[:, None] ** 2
    totals = np.concatenate([cause.variance + parts for cause in causes])
    prior = np.array([cause.log_chance + log(share) for cause in causes for share in scatter.share])
    log_shares = prior[:, None] - 0.5 * (surprise**2 / totals + np.log(2.0 * np.pi * totals))
    top = log_shares.max(axis=0)
    shares = np.exp(log_shares - top)
    sums = shares.sum(axis=0)
    shares /= sums
    return _Explained(totals=totals, shares=shares, log_likelihood=top + np.log(sums))


def _collapse(
    cloud: Cloud, causes: list[_Cause], surprise: FloatArray, totals: FloatArray, shares: FloatArray
) -> tuple[FloatArray, SingleArray]:
    """Mean and covariance of the mixture over causes and scales; totals and shares are (causes * scales, n)."""
    scales = len(totals) // len(causes)
    covariance = cloud.covariance
    step = np.zeros(cloud.mean.shape)
    for i, cause in enumerate(causes):
        share, total = shares[i * scales : (i + 1) * scales], totals[i * scales : (i + 1) * scales]
        gain = share / total
        gained = gain.sum(axis=0)
        move = gained * surprise
        change = (gain / total).sum(axis=0) * surprise**2 - gained
        step += move * cause.pull
        if len(causes) == 1:  # the usual case: the spread of the means lies along the same direction
            change -= move**2
        covariance = widened(covariance, cause.pull, change)
        if cause.shift is not None:
            covariance = widened(covariance, cause.shift.direction, cause.shift.sd_points**2 * share.sum(axis=0))
    if len(causes) > 1:
        covariance = widened(covariance, step, -1.0)
    mean = cloud.mean + step
    mean[Z] = between(mean[Z], -1.5 * Z_LIMIT, Z_LIMIT)
    return mean, covariance


def resample(cloud: Cloud, endings: Callable[[], Endings], draws: Callable[[], np.random.Generator]) -> Cloud:
    """Draw the particles anew when few carry the weight, and spread what they share (Liu and West, 2001).

    endings : gives the kinds of ending among which the chosen draw anew
    draws : gives the source of random numbers, which is seldom needed and takes time to make

    Source: systematic resampling (Kitagawa, J. Comput. Graph. Stat. 5, 1-25, 1996); kernel with shrinkage (Liu and
    West, in Doucet, de Freitas and Gordon, Sequential Monte Carlo Methods in Practice, 2001, chapter 10).
    """
    weights = np.exp(cloud.log_weight)
    n = len(weights)
    if 1.0 / (weights @ weights) > RESAMPLE_BELOW * n:
        return cloud
    generator = draws()
    at = (generator.random() + np.arange(n)) / n
    # Drawn in the order of their kinds, each kind keeps its share to within one particle.
    order = np.lexsort((cloud.mean[FINAL], cloud.poor, cloud.creeping, cloud.stalled, cloud.foamy))
    chosen = order[np.minimum(np.searchsorted(np.cumsum(weights[order]), at), n - 1)]
    exponents = np.log(np.column_stack([*cloud.shape[:2], cloud.tail_hours]))
    centre = weights @ exponents
    deviation = exponents - centre
    factor = np.linalg.cholesky((weights[:, None] * deviation).T @ deviation + 1e-9 * np.eye(3))
    shrink = np.sqrt(1.0 - KERNEL_WIDTH**2)
    noise = KERNEL_WIDTH * generator.standard_normal((n, 3)) @ factor.T
    spread = np.exp(centre + shrink * deviation[chosen] + noise)
    drawn = replace(
        picked(cloud, chosen),
        log_weight=np.full(n, -np.log(n)),
        shape=shape_of(spread[:, 0].copy(), spread[:, 1].copy()),
        tail_hours=spread[:, 2].copy(),
    )
    return redraw(drawn, endings(), generator)


RESAMPLE_BELOW = 0.5
KERNEL_WIDTH = 0.12
