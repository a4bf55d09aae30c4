"""What a person typed about a calibration: to numbers, or to a sentence. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from statistics import median

from gylewatch.errors import InputError
from gylewatch.typed_number import in_ascii, number_of, thousands_doubt, why_no_number
from gylewatch.units import POINT_SG
from gylewatch.values import Reading

_SHOWN = 20
MOST_SD_POINTS = 20.0

SHORTEST_WINDOW = timedelta(minutes=3)  # as at the terminal
_WINDOW_REPORTS = 6  # a float that reports seldom needs as many reports as any other


def gravities_of(typed: str) -> tuple[float, ...]:
    """The gravities of the solutions, with spaces between them; a comma or semicolon at the end of one parts them too.

    Raises
    ------
    InputError
        One of them is not a number.
    """
    # So does one between numbers that have their point already; any other is a decimal comma.
    apart = re.sub(r"(\.\d+),(?=\d+\.)|,(?=\s|;|$)", r"\1 ", in_ascii(typed).replace(";", " "))
    return tuple(_gravity(word) for word in apart.split())


def _gravity(word: str) -> float:
    if word.count(",") + word.count(".") > 1:
        raise InputError("gravity", f"{word[:_SHOWN]!r} is not one number; put spaces between the gravities")
    return number(word, "gravity")


def sd_of(typed: str) -> float | None:
    """The uncertainty of the gravities in SG, typed in points; None: not known."""
    if not typed.strip():
        return None
    points = number(typed.strip(), "uncertainty")
    if not 0.0 < points <= MOST_SD_POINTS:
        raise InputError("uncertainty", f"{points:g} points cannot be used; give more than 0, up to {MOST_SD_POINTS:g}")
    return points * POINT_SG


def number(word: str, what: str, *, most: float = 0.0) -> float:
    """One number as typed.

    Parameters
    ----------
    most : the largest number that makes sense there, where that is a thousand or more

    Raises
    ------
    InputError
        It is not one, or can be read in two ways.
    """
    if doubt := thousands_doubt(word, most):
        raise InputError(what, doubt)
    found = number_of(word)
    if found is None:
        raise InputError(what, f"{word[:_SHOWN]!r} {why_no_number(word)}")
    return found


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
