"""All instruments and the float beside each other, sample by sample. Pure.

The float's value is what its curve alone says, not the estimate: that has learnt from the same samples already.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import combinations
from statistics import fmean

from calibration.anchoring import anchor, shown_by_float
from calibration.comparison import Agreement, Comparison, Measured, agreement, compare
from calibration.curve import Curve
from calibration.hydrometry import HandGravity
from gylewatch.units import NORMAL_80
from gylewatch.values import FloatId, Reading

TOGETHER = timedelta(minutes=30)  # hand measurements this near each other are taken to be of one sample


_STUDENT_80 = (3.078, 1.886, 1.638, 1.533, 1.476, 1.440, 1.415, 1.397, 1.383, 1.372)
# Half width of a central 80 % interval in standard errors, for 1 to 10 degrees of freedom: Student's t at 0.9. With
# more it is taken for normal, which is 6 % less at most.


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One sample with everything that measured it."""

    time: datetime
    measured: tuple[Measured, ...]
    comparison: Comparison | None  # None: one instrument alone


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """Two instruments over all samples that both measured."""

    first: str
    second: str
    agreement: Agreement

    @property
    def half_bias_points(self) -> float:
        """Half the 80 % interval of the bias, points: of two samples far wider than of ten."""
        freedom = self.agreement.count - 1
        return self.agreement.bias_sd_points * (_STUDENT_80[freedom - 1] if freedom <= len(_STUDENT_80) else NORMAL_80)


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """The whole comparison of one batch."""

    rows: tuple[Row, ...]
    pairs: tuple[Pair, ...]


def beside(
    hands: Sequence[HandGravity],
    readings: Sequence[Reading],
    curve: Curve | None,
    *,
    float_id: FloatId,
    original_gravity_sg: float | None,
) -> Beside:
    """Set hand samples and float beside each other.

    Parameters
    ----------
    hands : corrected, in any order
    readings : of the batch's float, at least around the samples
    curve : of that float; None: there is none yet, and hand instruments stand alone
    """
    rows = tuple(
        _row(group, _shown(group[0], readings, curve, float_id, original_gravity_sg)) for group in _groups(hands)
    )
    names = list(dict.fromkeys(one.name for row in rows for one in row.measured))
    pairs = []
    for first, second in combinations(names, 2):
        both = [(a, b) for row in rows if (a := _mean(row, first)) and (b := _mean(row, second))]
        if len(both) >= 2:
            pairs.append(Pair(first=first, second=second, agreement=agreement(both)))
    return Beside(rows=rows, pairs=tuple(pairs))


def _groups(hands: Sequence[HandGravity]) -> list[list[HandGravity]]:
    groups: list[list[HandGravity]] = []
    for hand in sorted(hands, key=lambda one: one.time):
        if groups and hand.time - groups[-1][0].time <= TOGETHER:
            groups[-1].append(hand)
        else:
            groups.append([hand])
    return groups


def _shown(
    hand: HandGravity,
    readings: Sequence[Reading],
    curve: Curve | None,
    float_id: FloatId,
    original_gravity_sg: float | None,
) -> Measured | None:
    near = anchor(hand, readings)
    if curve is None or near is None:
        return None
    gravity, sd = shown_by_float(curve, near, original_gravity_sg=original_gravity_sg)
    return Measured(name=f"float {float_id}", gravity_sg=gravity, sd_sg=sd)


def _row(group: Sequence[HandGravity], float_shows: Measured | None) -> Row:
    measured = [Measured(name=str(one.instrument), gravity_sg=one.gravity_sg, sd_sg=one.sd_sg) for one in group]
    if float_shows is not None:
        measured.append(float_shows)
    together = compare(measured) if len(measured) > 1 else None
    return Row(time=group[0].time, measured=tuple(measured), comparison=together)


def _mean(row: Row, name: str) -> float | None:
    values = [one.gravity_sg for one in row.measured if one.name == name]
    return fmean(values) if values else None
