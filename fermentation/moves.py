"""Moves: chosen particles forget which kind of ending they were born with and draw it anew.

A kind that matters late (a creeping end, an attenuation outside the yeast's range) is lost by chance in the many
choices made before anything speaks for or against it. Drawn anew from its exact conditional probability it stays in
its share, and nothing else changes (resample-move: Gilks and Berzuini, J. R. Stat. Soc. B 63, 127-146, 2001).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fermentation.belief import FINAL, ORIGINAL, TAIL, BoolArray, Cloud, FloatArray
from fermentation.covariance import widened
from gylewatch.copying import replace

LEAST_TAIL_LEFT = 0.05
# Of slow sugars that are gone there is nothing left to exchange


@dataclass(frozen=True, slots=True, kw_only=True)
class Kinds:
    """Two kinds of particles that differ in the normal prior of one quantity, a linear function of the state."""

    points: tuple[float, float]  # its mean in either kind
    sd_points: tuple[float, float]
    share: float  # of the second kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Endings:
    """The kinds of ending of one batch."""

    creep: Kinds  # of the slow sugars
    outcome: Kinds  # of the final gravity less `kept` times the original gravity
    kept: float


def redraw(cloud: Cloud, endings: Endings, generator: np.random.Generator) -> Cloud:
    """Draw anew, for each particle, whether its end creeps and whether it keeps to the yeast's range."""
    chance = generator.random((2, len(cloud.z)))
    at_first, by_outcome = np.zeros((2, *cloud.mean.shape))
    # What has gone of the slow sugars went by a known law, so what is left tells what there was.
    at_first[TAIL] = 1.0 / np.maximum(cloud.tail_left, LEAST_TAIL_LEFT)
    by_outcome[FINAL], by_outcome[ORIGINAL] = 1.0, -endings.kept
    has_tail = (cloud.tail_left > LEAST_TAIL_LEFT) & ~cloud.renewed
    creeping, cloud = _exchange(cloud, endings.creep, at_first, cloud.creeping, able=has_tail, chance=chance[0])
    poor, cloud = _exchange(cloud, endings.outcome, by_outcome, cloud.poor, able=~cloud.renewed, chance=chance[1])
    return replace(cloud, creeping=creeping, poor=poor)


def _exchange(
    cloud: Cloud, kinds: Kinds, rows: FloatArray, kind: BoolArray, *, able: BoolArray, chance: FloatArray
) -> tuple[BoolArray, Cloud]:
    """The kind (n,) of each particle, drawn anew where `able`, and the cloud with the priors exchanged.

    `rows` (m, n) gives the quantity in which the kinds differ.

    Dividing a particle's normal distribution by the prior of its kind leaves what the data said; that times either
    prior gives the odds of the two kinds, and the new distribution.
    """
    towards = np.einsum("jn,jkn->kn", rows, cloud.covariance)
    held, variance = np.einsum("jn,jn->n", rows, cloud.mean), np.einsum("jn,jn->n", rows, towards)
    able = able & (variance > 1e-9)
    variance = np.where(able, variance, 1.0)
    precision = np.array(kinds.sd_points)[:, None] ** -2.0
    pull = np.array(kinds.points)[:, None] * precision
    of = kind.astype(np.intp)
    said = np.maximum(1.0 / variance - precision[of, 0], 0.0)
    both = said + precision
    means = (held / variance - pull[of, 0] + pull) / both
    support = np.log(precision / both) + means**2 * both - pull**2 / precision
    odds = kinds.share / (1.0 - kinds.share) * np.exp(np.minimum(0.5 * (support[1] - support[0]), 50.0))
    drawn = np.where(able, chance < odds / (1.0 + odds), kind)
    of, each = drawn.astype(np.intp), np.arange(len(kind))
    along = towards / variance
    shift = np.where(able, means[of, each] - held, 0.0)
    widening = np.where(able, 1.0 / both[of, each] - variance, 0.0)
    covariance = widened(cloud.covariance, along, widening)
    return drawn, replace(cloud, mean=cloud.mean + along * shift, covariance=covariance)
