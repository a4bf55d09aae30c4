"""The picture of a calibration as SVG: the curve with its 80 % band and points, and beneath it the residuals. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from calibration.curve import Curve
from calibration.expansion import wort_expansion_ratio
from gylewatch.units import NORMAL_80, POINT_SG, half_points
from gylewatch.values import Reference
from web import drawing
from web.drawing import Axis, ticks

_STEPS = 80
_BEYOND = 0.08  # of the range, shown on either side: there the band widens


@dataclass(frozen=True, slots=True, kw_only=True)
class FitSheet:
    """Size of the drawing in user units, which are about CSS pixels on the screen it is meant for."""

    name: str
    width: float
    curve_height: float
    residual_height: float
    angle_ticks: int
    left: float = 52
    right: float = 14
    top: float = 30
    between: float = 40
    bottom: float = 46

    @property
    def residual_top(self) -> float:
        return self.top + self.curve_height + self.between

    @property
    def height(self) -> float:
        return self.residual_top + self.residual_height + self.bottom


FIT_NARROW = FitSheet(name="narrow", width=360, curve_height=240, residual_height=110, angle_ticks=4)
FIT_WIDE = FitSheet(name="wide", width=1000, curve_height=320, residual_height=120, angle_ticks=10)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Point:
    angle_deg: float
    points: float  # of gravity, as the float felt it
    residual_points: float
    half_points: float  # half width of the 80 % band there
    used: bool


def draw_fit(curve: Curve, references: Sequence[Reference], sheet: FitSheet, *, title: str) -> str:
    """The picture of `curve` on `sheet`.

    Parameters
    ----------
    references : the points it was fitted to, in the order of ``curve.residuals_sg``
    title : what a screen reader says

    Returns
    -------
    an ``<svg>`` element, safe to put into a page
    """
    found = _points(curve, references)
    margin = _BEYOND * (curve.angle_high_deg - curve.angle_low_deg)
    angles = np.linspace(curve.angle_low_deg - margin, curve.angle_high_deg + margin, _STEPS)
    gravity, sd = curve.evaluate(angles)
    middle, half = (gravity - 1.0) / POINT_SG, NORMAL_80 * sd / POINT_SG
    seen_deg = [angles[0], angles[-1], *(point.angle_deg for point in found)]
    across = Axis(float(min(seen_deg)), float(max(seen_deg)), sheet.left, sheet.width - sheet.right)
    values = [*(middle - half), *(middle + half), *(point.points for point in found)]
    upright = drawing.scale([float(value) for value in values], 4.0, sheet.top, sheet.curve_height)
    # A point that was not used lies so far off that it would press the others flat; it stands at the edge.
    spread = [value for point in found for value in (point.half_points, -point.half_points)]
    spread += [point.residual_points for point in found if point.used]
    off = drawing.scale(spread, 1.0, sheet.residual_top, sheet.residual_height)
    xs = [across.at(float(angle)) for angle in angles]
    upper = [(x, upright.at(float(y))) for x, y in zip(xs, middle + half, strict=True)]
    lower = [(x, upright.at(float(y))) for x, y in zip(xs, middle - half, strict=True)]
    parts = [
        f'<svg class="picture {sheet.name}" viewBox="0 0 {sheet.width:g} {sheet.height:g}" role="img" '
        f'aria-label="{escape(title, quote=True)}">',
        drawing.text(4, 16, "Gravity, points", kind="axis-name"),
        drawing.text(4, sheet.residual_top - 12, "Off the curve, points; bars: 80 % band", kind="axis-name"),
        *_grid(upright, sheet, 6),
        *_grid(off, sheet, 4),
        *_angle_axis(across, sheet),
        f'<polygon class="band" points="{drawing.points([*upper, *reversed(lower)])}"/>',
        f'<polyline class="gravity" points="'
        f'{drawing.points((x, upright.at(float(y))) for x, y in zip(xs, middle, strict=True))}"/>',
        drawing.line(sheet.left, off.at(0.0), sheet.width - sheet.right, off.at(0.0), "zero"),
    ]
    for point in found:
        x = across.at(point.angle_deg)
        bar = [(x, off.at(point.half_points)), (x, off.at(-point.half_points))]
        parts.append(f'<polyline class="bar" points="{drawing.points(bar)}"/>')
        parts.append(_mark(x, upright.at(point.points), used=point.used))
        parts += _residual(x, point, off)
    parts.append("</svg>")
    return "".join(parts)


def _points(curve: Curve, references: Sequence[Reference]) -> tuple[_Point, ...]:
    _, sd = curve.evaluate(np.array([reference.angle_deg for reference in references]))
    return tuple(
        _Point(
            angle_deg=one.angle_deg,
            points=(one.gravity_sg * wort_expansion_ratio(one.gravity_sg, one.temperature_c) - 1.0) / POINT_SG,
            residual_points=curve.residuals_sg[place] / POINT_SG,
            half_points=half_points(float(sd[place])),
            used=place not in curve.excluded,
        )
        for place, one in enumerate(references)
    )


def _grid(axis: Axis, sheet: FitSheet, about: int) -> list[str]:
    parts = []
    for value in ticks(axis.low, axis.high, about):
        y = axis.at(value)
        parts.append(drawing.line(sheet.left, y, sheet.width - sheet.right, y, "grid"))
        parts.append(drawing.text(sheet.left - 6, y + 4, f"{value:g}", anchor="end"))
    return parts


def _angle_axis(across: Axis, sheet: FitSheet) -> list[str]:
    parts = []
    for value in ticks(across.low, across.high, sheet.angle_ticks):
        x = across.at(value)
        for top, height in ((sheet.top, sheet.curve_height), (sheet.residual_top, sheet.residual_height)):
            parts.append(drawing.line(x, top, x, top + height, "grid"))
        parts.append(drawing.text(x, sheet.height - sheet.bottom + 17, f"{value:g}°", anchor="middle"))
    middle = (sheet.left + sheet.width - sheet.right) / 2
    name = "Angle from upright"
    return [*parts, drawing.text(middle, sheet.height - 6, name, anchor="middle", kind="axis-name")]


def _residual(x: float, point: _Point, off: Axis) -> list[str]:
    shown = min(max(point.residual_points, off.low), off.high)
    parts = [_mark(x, off.at(shown), used=point.used)]
    if shown != point.residual_points:
        parts.append(drawing.text(x + 10, off.at(shown) + 4, f"{point.residual_points:+.0f}", kind="beyond"))
    return parts


def _mark(x: float, y: float, *, used: bool) -> str:
    if used:
        return f'<circle class="point" cx="{x:.1f}" cy="{y:.1f}" r="5"/>'
    return f'<path class="unused" d="M{x - 5:.1f} {y - 5:.1f}l10 10m0 -10l-10 10"/>'
