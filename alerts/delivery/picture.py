"""A small picture that goes along with a message: lines and bands over time as PNG. Pure.

Made of columns of pixels, so that it needs no graphics library: each series is one value for each column. It bears no
lettering; the caption says in words what it shows, for everyone and for those who cannot see it.

Source of the format: PNG (Third Edition), W3C Recommendation 2025, sections 5.3, 11.2.1 to 11.2.4 and 11.3.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

WIDTH, HEIGHT = 480, 200  # fits a telephone's screen; some kilobytes
_LINE = 2  # pixels
_MARGIN = 0.06  # of the height, above and below


class Ink(IntEnum):
    """Places in the palette."""

    PAPER = 0
    GRID = 1
    BAND = 2
    GRAVITY = 3
    WANTED = 4
    WARMTH = 5
    PROBE = 6


# Dark on light, and different in lightness as well as in hue, so that they differ without colour too.
_PALETTE: Final = bytes.fromhex("ffffffd9d9d9b9d3ea0b3d70d5ead0a34700000000")


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """What a channel attaches."""

    png: bytes
    caption: str  # one or two sentences: what it shows


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One value for each column; not a number where nothing is known."""

    values: FloatArray
    ink: Ink


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """The area between two lines."""

    low: FloatArray
    high: FloatArray
    ink: Ink


def draw(
    bands: Sequence[Band], lines: Sequence[Line], *, levels: Sequence[float], columns: Sequence[int], least: float
) -> bytes:
    """The PNG of these series, scaled to hold them all.

    Parameters
    ----------
    bands, lines : (WIDTH,) values each, drawn in this order; at least one finite value among them
    levels : values at which a level line is drawn, where they lie within the picture
    columns : at which an upright line is drawn
    least : the scale spans at least this

    Raises
    ------
    ValueError
        No value is finite.
    """
    values = np.concatenate(
        [*(line.values for line in lines), *(side for band in bands for side in (band.low, band.high))]
    )
    if not np.isfinite(values).any():
        raise ValueError("there is nothing to draw")
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    middle, half = (low + high) / 2, max((high - low) / 2, least / 2) * (1 + 2 * _MARGIN)

    def rows(of: FloatArray) -> FloatArray:
        return (1 - (of - (middle - half)) / (2 * half)) * (HEIGHT - 1)

    sheet = np.full((HEIGHT, WIDTH), Ink.PAPER, dtype=np.uint8)
    for band in bands:
        _fill(sheet, rows(band.high), rows(band.low), band.ink)
    for level in levels:
        if abs(level - middle) <= half:
            sheet[round(float(rows(np.array([level]))[0]))] = Ink.GRID
    sheet[:, [column for column in columns if 0 <= column < WIDTH]] = Ink.GRID
    for line in lines:
        at = rows(line.values)
        after = np.append(at[1:], at[-1])
        after = np.where(np.isfinite(after), after, at)
        _fill(sheet, np.minimum(at, after), np.maximum(at, after) + (_LINE - 1), line.ink)
    return encode_png(sheet)


def _fill(sheet: NDArray[np.uint8], tops: FloatArray, bottoms: FloatArray, ink: Ink) -> None:
    for column in np.flatnonzero(np.isfinite(tops) & np.isfinite(bottoms)):
        top, bottom = max(0, round(float(tops[column]))), round(float(bottoms[column]))
        sheet[top : bottom + 1, column] = ink


def encode_png(sheet: NDArray[np.uint8]) -> bytes:
    """(height, width) places in the palette as a PNG file: indexed colour, eight bits, no filter."""
    height, width = sheet.shape
    rows = np.zeros((height, width + 1), dtype=np.uint8)  # each row begins with its filter type, none
    rows[:, 1:] = sheet
    return b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 3, 0, 0, 0)),
            _chunk(b"PLTE", _PALETTE),
            _chunk(b"IDAT", zlib.compress(rows.tobytes(), 9)),
            _chunk(b"IEND", b""),
        )
    )


def _chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
