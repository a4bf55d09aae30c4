"""Several instruments, one beer: the best value, who is off, and how instruments agree over time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from gylewatch.counting import above_or_below
from gylewatch.errors import InputError
from gylewatch.units import POINT_SG

OFF_SIGMA = 2.5  # an instrument this far from the others, in sd of the difference, is named (once in 80 sound ones)
FEWEST_PAIRS = 2  # differences that give a spread
LIMITS_SD = 1.96  # limits of agreement hold 95 % of differences


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One instrument's corrected value of one sample."""

    name: str  # e.g. "hydrometer", or the float's name
    gravity_sg: float  # SG 20/20 °C
    sd_sg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All instruments beside each other for one sample."""

    best_sg: float  # weighted by 1/sd², without the one that is off
    sd_sg: float  # of best_sg, widened where the instruments disagree more than they claim
    offsets_points: tuple[float, ...]  # each instrument minus the best value, in the order given
    off: str | None  # the one instrument that the others contradict; None: none, several, or unclear which
    apart: tuple[int, ...] = ()  # places, in the order given, of those that a majority contradicts; `off` among them
    verdict: str  # one sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How two instruments agreed over several samples."""

    count: int
    bias_points: float  # mean of first minus second
    low_points: float  # limits of agreement: 95 % of differences
    high_points: float
    bias_sd_points: float  # standard error of the bias


def compare(measured: Sequence[Measured]) -> Comparison:
    """Weigh the values of one sample and name the instrument that is off.

    Parameters
    ----------
    measured : at least two instruments, each with its own uncertainty

    Notes
    -----
    With two instruments that disagree nobody can tell which is off: both are kept and the uncertainty says so.

    Raises
    ------
    InputError
        Fewer than two instruments, or an uncertainty that is not positive.

    Source: weighted mean and Birge ratio, R. T. Birge, Phys. Rev. 40, 207-227, 1932; leave-one-out deviation from the
    weighted mean of the others.
    """
    if len(measured) < 2:
        raise InputError("comparison", "one instrument alone cannot be compared; measure the sample with a second")
    for one in measured:
        if not (one.sd_sg > 0.0 and math.isfinite(one.sd_sg) and math.isfinite(one.gravity_sg)):
            raise InputError(
                f"comparison, {one.name}", "gravity and uncertainty must be numbers, the latter above zero"
            )
    off = _odd_one_out(measured)
    apart = _contradicted(measured) if off is None else [off]
    best, sd = _weighted([one for one in measured if not any(one is other for other in apart)])
    if off is not None:
        difference = (off.gravity_sg - best) / POINT_SG
        verdict = f"the {off.name} reads {above_or_below(difference)} the others: check it in plain water"
    elif apart:
        named = " and ".join(
            f"{one.name} {one.gravity_sg:.4f} ({(one.gravity_sg - best) / POINT_SG:+.1f} points)" for one in apart
        )
        verdict = f"they disagree: {named} stand against the others; check these in plain water, or draw a new sample"
    elif len(measured) == 2 and _sigma(measured[0], measured[1]) > OFF_SIGMA:
        verdict = "the two disagree by more than they claim; a third instrument or plain water tells which is off"
    elif any(_sigma(one, other) > OFF_SIGMA for one, other in combinations(measured, 2)):
        verdict = "they disagree by more than they claim and none stands alone; check each in plain water"
    else:
        verdict = "all agree within what they claim"
    return Comparison(
        best_sg=best,
        sd_sg=sd,
        offsets_points=tuple((one.gravity_sg - best) / POINT_SG for one in measured),
        off=None if off is None else off.name,
        apart=tuple(n for n, one in enumerate(measured) if any(one is other for other in apart)),
        verdict=verdict,
    )


def agreement(pairs_sg: Sequence[tuple[float, float]]) -> Agreement:
    """Bias and limits of agreement of two instruments that measured the same samples.

    Parameters
    ----------
    pairs_sg : (first, second) SG 20/20 °C of each sample, at least two

    Raises
    ------
    InputError
        Fewer than two samples.

    Source: J. M. Bland, D. G. Altman, Lancet 327, 307-310, 1986.
    """
    if len(pairs_sg) < FEWEST_PAIRS:
        raise InputError("agreement", "two instruments need at least two samples that both measured")
    differences = [(first - second) / POINT_SG for first, second in pairs_sg]
    bias = sum(differences) / len(differences)
    sd = math.sqrt(sum((d - bias) ** 2 for d in differences) / (len(differences) - 1))
    return Agreement(
        count=len(differences),
        bias_points=bias,
        low_points=bias - LIMITS_SD * sd,
        high_points=bias + LIMITS_SD * sd,
        bias_sd_points=sd / math.sqrt(len(differences)),
    )


def _weighted(measured: Sequence[Measured]) -> tuple[float, float]:
    weights = [one.sd_sg**-2 for one in measured]
    total = sum(weights)
    best = sum(w * one.gravity_sg for w, one in zip(weights, measured, strict=True)) / total
    squared = sum(w * (one.gravity_sg - best) ** 2 for w, one in zip(weights, measured, strict=True))
    birge = math.sqrt(squared / (len(measured) - 1)) if len(measured) > 1 else 1.0
    return best, max(birge, 1.0) / math.sqrt(total)


def _sigma(one: Measured, other: Measured) -> float:
    return abs(one.gravity_sg - other.gravity_sg) / math.hypot(one.sd_sg, other.sd_sg)


def _odd_one_out(measured: Sequence[Measured]) -> Measured | None:
    if len(measured) < 3:
        return None
    suspects = []
    for one in measured:
        others = [other for other in measured if other is not one]
        if any(_sigma(a, b) > OFF_SIGMA for a, b in combinations(others, 2)):
            continue  # the others do not agree either: no ground to stand on
        best, sd = _weighted(others)
        deviation = abs(one.gravity_sg - best) / math.hypot(one.sd_sg, sd)
        if deviation > OFF_SIGMA:
            suspects.append((deviation, one))
    return max(suspects, key=lambda pair: pair[0])[1] if suspects else None


def _contradicted(measured: Sequence[Measured]) -> list[Measured]:
    """Several that stand against a majority whose members agree with each other; empty: no such majority.

    Pairs are judged by the uncertainty each instrument claims: one widened by the very disagreement would hide it.
    """

    def agreeing(one: Measured) -> list[Measured]:
        return [other for other in measured if _sigma(one, other) <= OFF_SIGMA]

    largest = max((agreeing(one) for one in measured), key=len)
    if 2 * len(largest) <= len(measured) or any(_sigma(a, b) > OFF_SIGMA for a, b in combinations(largest, 2)):
        return []
    best, sd = _weighted(largest)
    return [one for one in measured if abs(one.gravity_sg - best) / math.hypot(one.sd_sg, sd) > OFF_SIGMA]
