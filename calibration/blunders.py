"""Find reference points that the others contradict: a wrong jar, a mistyped angle. Named, never silently used."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from calibration.regression import Points, count_distinct, fit_posterior, log_evidence, softmax
from gylewatch.counting import above_or_below
from gylewatch.units import POINT_SG, FloatArray

FEWEST_POINTS = 4  # with three, no two agree against the third

BLUNDER_PRIOR = 0.04  # of one point (common practice, no source)
BLUNDER_SD_SG = 0.020  # how far blunders lie off: tens of points
BLUNDER_LEAST_SG = 0.003  # what lies nearer than this is scatter, whatever the evidence says
BLUNDER_EVIDENCE = 0.5  # a point is left out once "some point is a blunder" is likelier than "none is"
DOUBT_WEIGHT = 0.03  # what is likelier than this widens the interval
MOST_BLUNDERS = 2
_POINTS_FOR_TWO = 6  # so that at least four agree against two


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspicion:
    """What the points say about their own blunders."""

    left_out: tuple[int, ...]  # places from 0
    reasons: tuple[str, ...]  # one sentence for each
    doubts: tuple[tuple[tuple[int, ...], float], ...]  # (points left out, weight) of all that may be true; sum 1


TRUST = Suspicion(left_out=(), reasons=(), doubts=(((), 1.0),))


def suspect_blunders(points: Points, distinct_angles: int) -> Suspicion:
    """Which points the rest contradict, by the evidence of "these are blunders" against "none is".

    Parameters
    ----------
    distinct_angles : that must remain

    Source: outliers as a mixture with a wide component, D. S. Sivia, Data Analysis, 2006, section 8.3.
    """
    count = len(points.angle_deg)
    if count < FEWEST_POINTS:
        return TRUST
    hypotheses = _hypotheses(points, 1, distinct_angles)
    weights = _weights(points, hypotheses)
    if weights[0] < BLUNDER_EVIDENCE and count >= _POINTS_FOR_TWO:
        hypotheses = _hypotheses(points, MOST_BLUNDERS, distinct_angles)
        weights = _weights(points, hypotheses)
    best: tuple[int, ...] = ()
    if weights[0] < BLUNDER_EVIDENCE and len(hypotheses) > 1:
        best = hypotheses[int(np.argmax(weights[1:])) + 1]
    off = _distance_sg(points, best) if best else np.zeros(0)
    if best and np.abs(off).min() < BLUNDER_LEAST_SG:
        return TRUST
    possible = [(h, float(w)) for h, w in zip(hypotheses, weights, strict=True) if w > DOUBT_WEIGHT or h == best]
    total = sum(weight for _, weight in possible)
    return Suspicion(
        left_out=best,
        reasons=tuple(_reason(points, i, distance) for i, distance in zip(best, off.tolist(), strict=True)),
        doubts=tuple((h, weight / total) for h, weight in possible),
    )


def _hypotheses(points: Points, most: int, distinct_angles: int) -> list[tuple[int, ...]]:
    places = range(len(points.angle_deg))
    every = [h for size in range(most + 1) for h in combinations(places, size)]
    return [h for h in every if count_distinct(np.delete(points.angle_deg, h)) >= distinct_angles]


def _weights(points: Points, hypotheses: list[tuple[int, ...]]) -> FloatArray:
    extra = np.zeros((len(hypotheses), len(points.angle_deg)))
    for row, hypothesis in enumerate(hypotheses):
        extra[row, list(hypothesis)] = BLUNDER_SD_SG**2
    blundered = np.array([len(h) for h in hypotheses])
    sound = len(points.angle_deg) - blundered
    return softmax(log_evidence(points, extra) + blundered * np.log(BLUNDER_PRIOR) + sound * np.log1p(-BLUNDER_PRIOR))


def _distance_sg(points: Points, left_out: tuple[int, ...]) -> FloatArray:
    rest = points.without(left_out)
    row = points.basis(points.range_deg())[list(left_out)]
    return np.asarray(points.gravity_sg[list(left_out)] - row @ fit_posterior(rest, points.range_deg()).mean)


def _reason(points: Points, place: int, distance_sg: float) -> str:
    return (
        f"point {place + 1} ({points.angle_deg[place]:g}°, gravity {points.gravity_sg[place]:.4f}) lies "
        f"{above_or_below(distance_sg / POINT_SG, decimals=0)} what the other points say; measure it again"
    )
