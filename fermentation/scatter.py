"""How widely a float's readings scatter, learnt from the readings: it sloshes more, the more CO2 the beer gives off."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, hypot, sqrt
from statistics import median

RANGE_POINTS = (0.08, 8.0)
GAIN = 0.06
# The learnt scatter follows the last few dozen readings
LATELY, NEIGHBOUR_HOURS, LEAST_COMPARED = 12, 6.0, 8
# The last readings, each compared with its neighbours where they are no farther apart than that
SHARE_OF_LOCAL, LOCAL_GROWTH = 0.8, 1.25
# A float that lay still in the lag and is shaken by the gas a day later scatters forty times as widely. By surprises
# alone it is not learnt: against so small a scatter each reading is a wild packet, and wild packets tell nothing of it.
# A reading widens it by a quarter at most: forty times takes four hours of readings, while two wild packets within a
# dozen (each is the neighbour of two more) are soon forgotten
HALF = 0.6745
# Of a normal error half lies within so many standard deviations


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
        learnt = max(learnt, min(SHARE_OF_LOCAL * local, LOCAL_GROWTH * noise_points))
    return min(max(learnt, RANGE_POINTS[0]), RANGE_POINTS[1])


def local_scatter(lately: Sequence[tuple[float, float]]) -> float | None:
    """Standard deviation in points of readings (hours, points) about the lines between their neighbours, by the median.

    None where there are too few. The slope of the gravity drops out, and a step or a wild packet is outvoted.
    """
    off = []
    for (before, low), (hour, points), (after, high) in zip(lately, lately[1:], lately[2:], strict=False):
        if 0.0 < after - before <= NEIGHBOUR_HOURS:
            share = (hour - before) / (after - before)
            line = low + share * (high - low)
            off.append(abs(points - line) / hypot(1.0, share, 1.0 - share))
    return median(off) / HALF if len(off) >= LEAST_COMPARED else None
