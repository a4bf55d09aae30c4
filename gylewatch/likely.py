"""What was probably meant by a number that cannot be true: another unit, or another way of writing. Pure.

Only ever a question to the person who wrote it; nothing is converted on such a guess.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from gylewatch.units import POINT_SG, celsius_from_fahrenheit, sg_from_plato

# Of beer, wort and rooms. What lies outside is no temperature of theirs in °F either.
_FAHRENHEIT: Final = (32.0, 230.0)
_LEAST_SG: Final = 0.5
_MOST_SG: Final = 1.1  # of what an addition makes of water
_MOST_PLATO: Final = 25.0  # stronger worts are rare, and points begin to be likelier
_MOST_POINTS: Final = 200.0
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
    """What was probably meant by so many points of gravity that are written like an SG; empty: they are points."""
    if 1.0 < points <= _MOST_SG and points != round(points, 2):  # nobody knows an addition to a hundredth of a point
        return f"is that SG? in points it would be {(points - 1.0) / POINT_SG:g}"
    return ""


def celsius_doubt(typed: Sequence[float], low: float, high: float) -> str:
    """What was probably meant by temperatures of which one does not lie between `low` and `high`, in °C."""
    meant = [celsius_from_fahrenheit(each) for each in typed]
    if not all(_FAHRENHEIT[0] <= each <= _FAHRENHEIT[1] for each in typed) or not all(low <= c <= high for c in meant):
        return ""
    shown = ", ".join(f"{each:.1f}" for each in meant)
    return f"is that °F? in °C it would be {shown if len(meant) == 1 else f'[{shown}]'}"


def too_hot_note(what: str, typed: Sequence[float], remedy: str) -> str:
    """A note on temperatures that may be meant as they stand but hardly are; empty: nothing is odd about them."""
    if not typed or min(typed) < HOT_C:
        return ""
    low, high = (celsius_from_fahrenheit(each) for each in (min(typed), max(typed)))
    shown = f"{low:.1f}" if low == high else f"{low:.1f} to {high:.1f}"
    return f"{what} of {min(typed):g} °C or more: if that is °F, write it in °C ({shown}), and {remedy}"
