"""What a person typed about a calibration: to numbers, or to a sentence. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from statistics import median

from gylewatch.errors import InputError
from gylewatch.units import POINT_SG
from gylewatch.values import Reading

_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)", re.ASCII)
_COMMA = re.compile(r"[-+]?\d+,\d+", re.ASCII)
_SHOWN = 20
MOST_SD_POINTS = 20.0

SHORTEST_WINDOW = timedelta(minutes=3)  # as at the terminal
_WINDOW_REPORTS = 6  # a float that reports seldom needs as many reports as any other


def gravities_of(typed: str) -> tuple[float, ...]:
    """The gravities of the solutions, with spaces between them.

    Raises
    ------
    InputError
        One of them is not a number.
    """
    # A comma between numbers that have their point already separates them; any other is a decimal comma.
    apart = re.sub(r"(\.\d+),(?=\s*(?:\d+\.|$))", r"\1 ", typed)
    return tuple(number(word, "gravity") for word in apart.replace(";", " ").split())


def sd_of(typed: str) -> float | None:
    """The uncertainty of the gravities in SG, typed in points; None: not known."""
    if not typed.strip():
        return None
    points = number(typed.strip(), "uncertainty")
    if not 0.0 < points <= MOST_SD_POINTS:
        raise InputError("uncertainty", f"{points:g} points cannot be used; give more than 0, up to {MOST_SD_POINTS:g}")
    return points * POINT_SG


def number(word: str, what: str) -> float:
    """One number as typed.

    Raises
    ------
    InputError
        It is not one, or has a decimal comma.
    """
    if _COMMA.fullmatch(word):
        meant = word.replace(",", ".")[:_SHOWN]
        raise InputError(what, f"did you mean {meant}? Decimals are written with a point here, not a comma")
    if not _NUMBER.fullmatch(word) or len(word) > _SHOWN:
        raise InputError(what, f"{word[:_SHOWN]!r} is not a number")
    return float(word)


def place_of(fields: Mapping[str, str]) -> int:
    """The number of the solution that a form is about."""
    typed = fields.get("place", "")
    if not re.fullmatch(r"\d{1,2}", typed, re.ASCII):
        raise InputError("solution", "the form names none; open the page again")
    return int(typed)


def moment_of(typed: str) -> datetime | None:
    """The time in an address of ours; None where there is none that can be used."""
    try:
        time = datetime.fromisoformat(typed)
        return time.astimezone(UTC) if time.tzinfo is not None else None
    except (ValueError, OverflowError):
        return None


def window_for(readings: Sequence[Reading]) -> timedelta:
    """How long a stretch of a float's readings is judged, from how often it reports.

    Parameters
    ----------
    readings : the newest ones, in order of time
    """
    steps_s = [(later.time - earlier.time).total_seconds() for earlier, later in pairwise(readings)]
    usual = timedelta(seconds=median(steps_s)) if steps_s else timedelta(0)
    return max(SHORTEST_WINDOW, _WINDOW_REPORTS * usual)
