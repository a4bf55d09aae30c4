"""The picture of a batch as SVG: first paint, and all there is without script. Pure.

Colours come from the style sheet through classes, so that dark and light follow the viewer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from html import escape

from fermentation.estimate import Estimate
from gylewatch.values import ProbeReading
from web import drawing, words
from web.drawing import Axis, ticks
from web.graph import Graph, WantedRange, stretches, thin


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """Size of the drawing in user units, which are about CSS pixels on the screen it is meant for."""

    name: str
    width: float
    gravity_height: float
    temperature_height: float
    points: int
    time_ticks: int
    left: float = 62
    right: float = 14
    top: float = 30
    between: float = 44
    bottom: float = 30

    @property
    def height(self) -> float:
        return self.top + self.gravity_height + self.between + self.temperature_height + self.bottom


NARROW = Sheet(name="narrow", width=360, gravity_height=230, temperature_height=90, points=400, time_ticks=3)
WIDE = Sheet(name="wide", width=1000, gravity_height=300, temperature_height=120, points=800, time_ticks=8)

_TIME_STEPS_H = (1, 2, 3, 6, 12, 24, 48, 96, 168, 336, 672, 1344)


def time_ticks(start: datetime, end: datetime, about: int) -> tuple[datetime, ...]:
    """Full hours or days, in UTC, between `start` and `end`."""
    hours = (end - start).total_seconds() / 3600
    step_h = next((step for step in _TIME_STEPS_H if hours / step <= about), _TIME_STEPS_H[-1])
    midnight = start.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    first = math.ceil((start - midnight).total_seconds() / 3600 / step_h)
    found = []
    time = midnight + timedelta(hours=first * step_h)
    while time <= end:
        found.append(time)
        time += timedelta(hours=step_h)
    return tuple(found)


def _grid(axis: Axis, sheet: Sheet, about: int, digits: int) -> list[str]:
    parts = []
    for value in ticks(axis.low, axis.high, about):
        y = axis.at(value)
        parts.append(drawing.line(sheet.left, y, sheet.width - sheet.right, y, "grid"))
        parts.append(drawing.text(sheet.left - 6, y + 4, f"{value:.{digits}f}", anchor="end"))
    return parts


def _time_axis(time: Axis, start: datetime, end: datetime, sheet: Sheet) -> list[str]:
    parts = []
    tops = (
        (sheet.top, sheet.gravity_height),
        (sheet.height - sheet.bottom - sheet.temperature_height, sheet.temperature_height),
    )
    marks = time_ticks(start, end, sheet.time_ticks)
    by_the_hour = len(marks) > 1 and marks[1] - marks[0] < timedelta(days=1)
    for mark in marks:
        x = time.at(mark.timestamp())
        parts += [drawing.line(x, top, x, top + height, "grid") for top, height in tops]
        # A label at the very edge would be cut off.
        anchor = "end" if x > sheet.width - sheet.right - 24 else "middle"
        label = f"{mark:%H:%M}" if by_the_hour and mark.hour else f"{mark:%-d %b}"
        parts.append(drawing.text(x, sheet.height - sheet.bottom + 17, label, anchor=anchor))
    return parts


def _wanted(ranges: Sequence[WantedRange], time: Axis, warm: Axis, *, fahrenheit: bool) -> list[str]:
    parts = []
    for wanted in ranges:
        x1, x2 = time.at(wanted.start.timestamp()), time.at(wanted.end.timestamp())
        low, high = (warm.at(words.to_screen(limit, fahrenheit=fahrenheit)) for limit in wanted.temperature_c)
        parts.append(
            f'<rect class="wanted" x="{x1:.1f}" y="{high:.1f}" width="{x2 - x1:.1f}" height="{low - high:.1f}"/>'
        )
    return parts


def _stretch(rows: Sequence[Estimate], time: Axis, dense: Axis, warm: Axis, *, fahrenheit: bool) -> list[str]:
    """The lines of one stretch without a break; a single estimate becomes a dot."""
    rows = rows if len(rows) > 1 else (*rows, *rows)
    xs = [time.at(row.time.timestamp()) for row in rows]
    upper = [(x, dense.at(row.gravity_high_sg)) for x, row in zip(xs, rows, strict=True)]
    lower = [(x, dense.at(row.gravity_low_sg)) for x, row in zip(xs, rows, strict=True)]
    middle = [(x, dense.at(row.gravity_sg)) for x, row in zip(xs, rows, strict=True)]
    warmth = [
        (x, warm.at(words.to_screen(row.temperature_c, fahrenheit=fahrenheit))) for x, row in zip(xs, rows, strict=True)
    ]
    return [
        f'<polygon class="band" points="{drawing.points([*upper, *reversed(lower)])}"/>',
        f'<polyline class="gravity" points="{drawing.points(middle)}"/>',
        f'<polyline class="warmth" points="{drawing.points(warmth)}"/>',
    ]


def _probe(rows: Sequence[ProbeReading], time: Axis, warm: Axis, *, fahrenheit: bool) -> str:
    """The probe's line over one stretch without a break."""
    rows = rows if len(rows) > 1 else (*rows, *rows)
    pairs = [
        (time.at(row.time.timestamp()), warm.at(words.to_screen(row.temperature_c, fahrenheit=fahrenheit)))
        for row in rows
    ]
    return f'<polyline class="probe" points="{drawing.points(pairs)}"/>'


def _addition(x: float, sheet: Sheet) -> str:
    """An upright line through the gravity, which may rise there."""
    return drawing.line(x, sheet.top, x, sheet.top + sheet.gravity_height, "addition")


def draw(graph: Graph, sheet: Sheet, *, title: str, fahrenheit: bool) -> str:
    """The picture of `graph` on `sheet`.

    Parameters
    ----------
    graph : at least one estimate
    sheet : `NARROW` or `WIDE`
    title : what a screen reader says
    fahrenheit : temperatures in °F

    Returns
    -------
    an ``<svg>`` element, safe to put into a page
    """
    rows = thin(graph.estimates, sheet.points)
    start, end = rows[0].time, max(graph.end, rows[0].time + timedelta(hours=1))
    time = Axis(start.timestamp(), end.timestamp(), sheet.left, sheet.width - sheet.right)
    samples = [sample for sample in graph.samples if start <= sample.time <= end]
    seen_sg = [row.gravity_low_sg for row in rows] + [row.gravity_high_sg for row in rows]
    dense = drawing.scale(
        [*seen_sg, *(sample.gravity_sg for sample in samples)], 0.004, sheet.top, sheet.gravity_height
    )
    warm_top = sheet.top + sheet.gravity_height + sheet.between
    measured = [row.temperature_c for row in rows] + [row.temperature_c for row in graph.probe.readings]
    shown = [words.to_screen(temperature_c, fahrenheit=fahrenheit) for temperature_c in measured]
    limits = [
        words.to_screen(limit, fahrenheit=fahrenheit) for wanted in graph.wanted for limit in wanted.temperature_c
    ]
    warm = drawing.scale(shown + limits, 4.0, warm_top, sheet.temperature_height)

    parts = [
        f'<svg class="picture {sheet.name}" viewBox="0 0 {sheet.width:g} {sheet.height:g}" role="img" '
        f'aria-label="{escape(title, quote=True)}">',
        drawing.text(4, 16, "Gravity, SG 20/20 °C", kind="axis-name"),
        drawing.text(4, warm_top - 12, f"Temperature, {words.unit(fahrenheit=fahrenheit)}", kind="axis-name"),
        *_grid(dense, sheet, 6, 3),
        *_wanted(graph.wanted, time, warm, fahrenheit=fahrenheit),
        *_grid(warm, sheet, 4, 0),
        *_time_axis(time, start, end, sheet),
    ]
    probed = stretches(graph.probe.readings, graph.probe.gaps)
    parts += [_probe(part, time, warm, fahrenheit=fahrenheit) for part in probed]
    for stretch in stretches(rows, graph.gaps):
        parts += _stretch(stretch, time, dense, warm, fahrenheit=fahrenheit)
    parts += [_addition(time.at(each.time.timestamp()), sheet) for each in graph.additions]
    for sample in samples:
        x, y = time.at(sample.time.timestamp()), dense.at(sample.gravity_sg)
        parts.append(f'<path class="sample" d="M{x:.1f} {y - 6:.1f}l6 6l-6 6l-6 -6z"/>')
    parts.append("</svg>")
    return "".join(parts)
