"""What was probably meant by a number that cannot be true: another unit, or another way of writing. Pure.

Only ever a question to the person who wrote it; nothing is converted on such a guess.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from gylewatch.units import POINT_SG, celsius_from_fahrenheit, fahrenheit_from_celsius, sg_from_plato
from gylewatch.values import TEMPERATURE_RANGE_C

# Of beer, wort and rooms. What lies outside is no temperature of theirs in °F either.
_FAHRENHEIT: Final = (32.0, 230.0)
_LEAST_SG: Final = 0.5
_MOST_PLATO: Final = 25.0  # stronger worts are rare, and points begin to be likelier
_MOST_POINTS: Final = 200.0
_LEAST_POINTS: Final = 0.1  # of an addition that anybody would weigh; as a difference in SG it is a hundred points
_MOST_ADDED_SG: Final = 1.2  # likewise, with room
HOT_C: Final = 43.0  # warmer than any yeast is kept (the hottest farmhouse strains: about 42, common practice)


def gravity_doubt(number: float, low: float, high: float) -> str:
    """What was probably meant by a gravity that does not lie between `low` and `high`; empty: nothing comes to mind."""
    if low <= number / 1000.0 <= high:
        return f"did you mean {number / 1000.0:.3f}?"
    if 0.0 <= number < _LEAST_SG or high < number <= _MOST_PLATO:
        points = f" (if it is points, {1.0 + POINT_SG * number:.3f})" if number > high else ""
        return f"is that Brix or °P? as SG it would be about {sg_from_plato(number):.3f}{points}"
    if _MOST_PLATO < number <= _MOST_POINTS:
        return f"are those points? as SG they are {1.0 + POINT_SG * number:.3f}"
    return ""


def points_doubt(points: float) -> str:
    """What was probably meant by a rise in points that nobody could tell so finely; empty: it may be meant so."""
    if 0.0 < points < _LEAST_POINTS:
        return f"is that a difference in SG? in points it is {points / POINT_SG:.4g}"
    if 1.0 < points < _MOST_ADDED_SG and round(10.0 * points, 6) % 1.0:
        rise = (points - 1.0) / POINT_SG
        return (
            f"is that an SG? as a rise it is {rise:.4g} points; write a rise of about one point to a tenth, as 1 or 1.1"
        )
    return ""


def celsius_doubt(typed: Sequence[float], low: float, high: float) -> str:
    """What was probably meant by temperatures of which one does not lie between `low` and `high`, in °C."""
    meant = [celsius_from_fahrenheit(each) for each in typed]
    if not all(_FAHRENHEIT[0] <= each <= _FAHRENHEIT[1] for each in typed) or not all(low <= c <= high for c in meant):
        return ""
    return f"is that °F? in °C it would be {' to '.join(f'{each:.1f}' for each in meant)}"


def fahrenheit_doubt(typed: Sequence[float], low: float, high: float) -> str:
    """What was probably meant by temperatures of which one does not lie between `low` and `high`, in °F."""
    meant = [fahrenheit_from_celsius(each) for each in typed]
    if not all(low <= f <= high for f in meant):
        return ""
    return f"is that °C? in °F it would be {' to '.join(f'{each:.1f}' for each in meant)}"


def percent_doubt(typed: Sequence[float], low: float, high: float) -> str:
    """What was probably meant by shares of which one does not lie between `low` and `high`, in per cent."""
    meant = [100.0 * each for each in typed]
    if not all(low <= percent <= high for percent in meant):
        return ""
    return f"is that a fraction? in per cent it would be {' to '.join(f'{each:g}' for each in meant)}"


def too_hot_note(what: str, typed: Sequence[float], remedy: str, *, say: str = "write it") -> str:
    """A note on temperatures that may be meant as they stand but hardly are; empty: nothing is odd about them.

    Parameters
    ----------
    say : what to do "in °C"
    remedy : what to do then
    """
    if not typed or min(typed) < HOT_C:
        return ""
    low, high = (celsius_from_fahrenheit(each) for each in (min(typed), max(typed)))
    shown = f"{low:.1f}" if low == high else f"{low:.1f} to {high:.1f}"
    return f"{what} of {min(typed):g} °C or more: if that is °F, {say} in °C ({shown}), and {remedy}"


def mostly_too_hot_note(of: str, measured_c: Sequence[float], remedy: str, *, say: str = "write it") -> str:
    """The same about what a float measured, if most of it is what no yeast has; `of` names all of it.

    Each of them may be true, of a float that is washed in hot water. So they are taken as they stand.
    """
    hot_c = [each for each in measured_c if HOT_C <= each <= TEMPERATURE_RANGE_C[1]]
    if len(hot_c) <= len(measured_c) // 2:
        return ""
    return too_hot_note(f"{len(hot_c)} of {of} have a temperature", hot_c, remedy, say=say)
