"""Pieces of a drawing as SVG: scales, ticks, lines and texts. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape


@dataclass(frozen=True, slots=True)
class Axis:
    """A straight scale from `low`..`high` in the world to `start`..`end` on the sheet."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)


def ticks(low: float, high: float, about: int) -> tuple[float, ...]:
    """Round numbers between `low` and `high`: steps of 1, 2 or 5 times a power of ten, at most `about` + 1 of them."""
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return tuple(round(index * step, 10) for index in range(first, last + 1))


def points(pairs: Iterable[tuple[float, float]]) -> str:
    """The `points` of a line or an outline."""
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in pairs)


def text(x: float, y: float, words: str, *, anchor: str = "start", kind: str = "tick") -> str:
    """A text; `kind` is its class in the style sheet."""
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'


def line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    """A straight line; `kind` is its class in the style sheet."""
    return f'<line class="{kind}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'


def scale(values: Sequence[float], least: float, top: float, height: float) -> Axis:
    """An upright axis that holds all `values` with a margin, and spans at least `least`."""
    low, high = min(values), max(values)
    middle, half = (low + high) / 2, max((high - low) * 0.54, least / 2)
    return Axis(middle - half, middle + half, top + height, top)
