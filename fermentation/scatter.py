"""How widely a float's readings scatter, learnt from the readings: it sloshes more, the more CO2 the beer gives off."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, hypot, sqrt
from statistics import median

RANGE_POINTS = (0.08, 8.0)
GAIN = 0.06
# The learnt scatter follows the last few dozen readings
LATELY, NEIGHBOUR_HOURS, LEAST_COMPARED = 12, 6.0, 6
# The last readings, each compared with its neighbours where they are no farther apart than that
SHARE_OF_LOCAL = 0.8
# A float that lay still in the lag and is shaken by the gas a day later scatters forty times as widely. By surprises
# alone it is not learnt: against so small a scatter each reading is a wild packet, and wild packets tell nothing of it
HALF = 0.6745
# Of a normal error half lies within so many standard deviations
WILD_ONE_IN, HALF_OF_KEPT = 6, 0.43
# Half of those that are kept when the farthest one in six was left out (of 4000 normal samples of 8 to 12 readings)


def followed(noise_points: float, lately: Sequence[tuple[float, float]], *, surprise: float, variance: float) -> float:
    """The scatter as it is believed after one more reading, points.

    Parameters
    ----------
    noise_points : as it was believed before
    lately : the last readings, this one included: hours, points
    surprise : of this reading, points
    variance : of what was expected, without the scatter

    Notes
    -----
    It follows the median of the standardised surprise (stochastic approximation: Robbins and Monro, 1951), which does
    not see outliers, and is at least most of how far the last readings lie from their neighbours. Errors that last
    longer than one reading are seen by the first alone.
    """
    total = variance + noise_points**2
    direction = 1.0 if abs(surprise) > HALF * sqrt(total) else -1.0
    learnt = noise_points * exp(GAIN * direction * noise_points**2 / total)
    local = local_scatter(lately)
    if local is not None:
        learnt = max(learnt, SHARE_OF_LOCAL * local)
    return min(max(learnt, RANGE_POINTS[0]), RANGE_POINTS[1])


def local_scatter(lately: Sequence[tuple[float, float]]) -> float | None:
    """Standard deviation in points of readings (hours, points) about the lines between their neighbours, by the median.

    None where there are too few. The slope of the gravity drops out, and a step is outvoted. So is a wild packet, but
    two in the window are neighbours of so many that they would outvote the rest: the readings that lie farthest off
    are left out, one in six, and the median of those that stay is set right for it.
    """
    left, off = list(lately), _distances(lately)
    if len(off) < LEAST_COMPARED:
        return None
    for _ in range(len(lately) // WILD_ONE_IN):
        _, farthest = max(off)
        del left[farthest]
        off = _distances(left)
    return median(each for each, _ in off) / HALF_OF_KEPT if off else None


def _distances(lately: Sequence[tuple[float, float]]) -> list[tuple[float, int]]:
    """How far readings lie from the line between their neighbours, in standard deviations of one, and their places."""
    off = []
    triples = zip(lately, lately[1:], lately[2:], strict=False)
    for place, ((before, low), (hour, points), (after, high)) in enumerate(triples, 1):
        if 0.0 < after - before <= NEIGHBOUR_HOURS:
            share = (hour - before) / (after - before)
            line = low + share * (high - low)
            off.append((abs(points - line) / hypot(1.0, share, 1.0 - share), place))
    return off
