"""The picture as a file that any program can read, and as pixels where they belong."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest
from numpy.typing import NDArray

from alerts.delivery.picture import HEIGHT, WIDTH, Band, Ink, Line, draw, encode_png

NOTHING = np.full(WIDTH, np.nan)


def pixels(png: bytes) -> NDArray[np.uint8]:
    """The places in the palette, read by the book: PNG (Third Edition), sections 5 and 9."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    chunks, at = [], 8
    while at < len(png):
        (length,) = struct.unpack_from(">I", png, at)
        kind, content = png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        assert struct.unpack_from(">I", png, at + 8 + length)[0] == zlib.crc32(kind + content)
        chunks.append((kind, content))
        at += 12 + length
    assert [kind for kind, _ in chunks] == [b"IHDR", b"PLTE", b"IDAT", b"IEND"]
    width, height, depth, colour, *rest = struct.unpack(">IIBBBBB", chunks[0][1])
    assert (depth, colour, rest) == (8, 3, [0, 0, 0])
    assert len(chunks[1][1]) == 3 * len(Ink)
    rows = np.frombuffer(zlib.decompress(chunks[2][1]), dtype=np.uint8).reshape(height, width + 1)
    assert not rows[:, 0].any()  # no filter
    return rows[:, 1:]


def test_what_is_written_is_what_is_read() -> None:
    sheet = np.arange(35, dtype=np.uint8).reshape(5, 7) % len(Ink)

    assert (pixels(encode_png(sheet)) == sheet).all()


def test_a_falling_line_falls_and_stays_within_its_band() -> None:
    middle = np.linspace(1.050, 1.010, WIDTH)
    band = Band(low=middle - 0.004, high=middle + 0.004, ink=Ink.BAND)

    sheet = pixels(draw([band], [Line(values=middle, ink=Ink.GRAVITY)], levels=[], columns=[], least=0.02))

    assert sheet.shape == (HEIGHT, WIDTH)
    tops = [int(np.flatnonzero(sheet[:, column] == Ink.GRAVITY)[0]) for column in (0, WIDTH // 2, WIDTH - 1)]
    assert tops == sorted(tops)
    assert tops[2] - tops[0] > HEIGHT // 2
    for column in range(WIDTH):
        rows = np.flatnonzero(sheet[:, column] != Ink.PAPER)
        assert sheet[rows[0], column] == Ink.BAND
        assert sheet[rows[-1], column] == Ink.BAND


def test_nothing_is_drawn_where_nothing_is_known() -> None:
    values = np.linspace(20.0, 19.0, WIDTH)
    values[100:200] = np.nan

    sheet = pixels(draw([], [Line(values=values, ink=Ink.WARMTH)], levels=[], columns=[], least=4.0))

    assert (sheet[:, 100:200] == Ink.PAPER).all()
    assert (sheet[:, 99] == Ink.WARMTH).any()
    assert (sheet[:, 200] == Ink.WARMTH).any()


def test_a_steady_value_is_a_line_in_the_middle() -> None:
    sheet = pixels(draw([], [Line(values=np.full(WIDTH, 19.0), ink=Ink.WARMTH)], levels=[19.0], columns=[5], least=4.0))

    rows = np.flatnonzero((sheet == Ink.WARMTH).all(axis=1))
    assert abs(rows.mean() - (HEIGHT - 1) / 2) <= 1
    assert (sheet[: HEIGHT // 4, 5] == Ink.GRID).all()


def test_no_value_at_all_is_an_error() -> None:
    with pytest.raises(ValueError, match="nothing to draw"):
        draw([], [Line(values=NOTHING, ink=Ink.GRAVITY)], levels=[], columns=[], least=1.0)
