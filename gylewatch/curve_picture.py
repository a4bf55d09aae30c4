"""A curve as text: the curve, its 80 % band, the points and their residuals. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.curve import Curve
from calibration.expansion import wort_expansion_ratio
from gylewatch.units import NORMAL_80, POINT_SG, half_points
from gylewatch.values import Reference

_WIDTH, _HEIGHT = 64, 18
_BEYOND = 0.08  # of the range, shown on either side: there the band widens

LEGEND = "*  curve   :  80 % band   o  point   x  point not used"


def picture(curve: Curve, references: Sequence[Reference]) -> str:
    """The curve over its range and a little beyond, angle to the right and points of gravity upwards.

    Parameters
    ----------
    references : the points it was fitted to, in the order of ``curve.residuals_sg``
    """
    margin = _BEYOND * (curve.angle_high_deg - curve.angle_low_deg)
    angles = np.linspace(curve.angle_low_deg - margin, curve.angle_high_deg + margin, _WIDTH)
    gravity, sd = curve.evaluate(angles)
    middle = (gravity - 1.0) / POINT_SG
    half = NORMAL_80 * sd / POINT_SG
    marks = [_mark(curve, references, place) for place in range(len(references))]
    heights = [points for _, points, _ in marks]
    low = min(float((middle - half).min()), *heights)
    high = max(float((middle + half).max()), *heights)

    grid = [[" "] * _WIDTH for _ in range(_HEIGHT)]

    def row(points: float) -> int:
        return round((high - points) / (high - low) * (_HEIGHT - 1))

    for column in range(_WIDTH):
        for line in range(row(float(middle[column] + half[column])), row(float(middle[column] - half[column])) + 1):
            grid[line][column] = ":"
        grid[row(float(middle[column]))][column] = "*"
    for angle, points, sign in marks:
        column = round((angle - angles[0]) / (angles[-1] - angles[0]) * (_WIDTH - 1))
        if 0 <= column < _WIDTH:
            grid[row(points)][column] = sign
    labels = [high - (high - low) * line / (_HEIGHT - 1) for line in range(_HEIGHT)]
    lines = [f"{label:7.1f} |{''.join(cells)}".rstrip() for label, cells in zip(labels, grid, strict=True)]
    ends = f"{angles[0]:.1f} deg"
    lines += [" " * 8 + "+" + "-" * _WIDTH, " " * 9 + ends + f"{angles[-1]:.1f} deg".rjust(_WIDTH - len(ends)), LEGEND]
    return "\n".join(lines)


def off_curve(residual_sg: float) -> str:
    """How far a point lies off the curve, in points with its sign; never ``-0.00``."""
    return f"{round(residual_sg / POINT_SG, 2) + 0.0:+.2f}"


def residual_rows(curve: Curve, references: Sequence[Reference]) -> list[tuple[str, ...]]:
    """Each point with its distance from the curve in points, the 80 % half width there, and whether it was used."""
    _, sd = curve.evaluate(np.array([reference.angle_deg for reference in references]))
    return [
        (
            str(place + 1),
            f"{reference.angle_deg:.2f} deg",
            f"{reference.gravity_sg:.4f}",
            off_curve(curve.residuals_sg[place]),
            f"{half_points(float(sd[place])):.2f}",
            "not used" if place in curve.excluded else "",
        )
        for place, reference in enumerate(references)
    ]


RESIDUAL_HEADER = ("point", "angle", "gravity", "off the curve", "80 % within", "")


def _mark(curve: Curve, references: Sequence[Reference], place: int) -> tuple[float, float, str]:
    one = references[place]
    felt = one.gravity_sg * wort_expansion_ratio(one.gravity_sg, one.temperature_c)
    return one.angle_deg, (felt - 1.0) / POINT_SG, "x" if place in curve.excluded else "o"
