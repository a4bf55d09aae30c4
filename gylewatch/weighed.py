"""Sugar that was weighed: by how many points it raises the gravity of a beer. Pure."""

from __future__ import annotations

from enum import StrEnum
from types import MappingProxyType
from typing import Final

from calibration.brewday import after_boil, wort
from calibration.solution import SUGAR_MOISTURE
from gylewatch.errors import InputError
from gylewatch.units import POINT_SG

LEAST_POINTS: Final = 0.1  # what is less is no addition that a float could show
MOST_POINTS: Final = 100.0


class Sweetener(StrEnum):
    SUCROSE = "sucrose"
    DEXTROSE = "dextrose"
    HONEY = "honey"


DRY: Final = MappingProxyType(
    {
        Sweetener.SUCROSE: 1.0 - SUGAR_MOISTURE,
        # Brewers' dextrose is the monohydrate: 180.16 of 198.17 g/mol is glucose.
        Sweetener.DEXTROSE: 0.909,
        # Codex Stan 12-1981 allows 20 % of water; most honeys have 16 to 19 % (common practice, no source).
        Sweetener.HONEY: 0.82,
    }
)
"""Mass fraction that dissolves to extract; in solution glucose and honey are as dense as sucrose to 2 % (memory)."""

_BASE_SG: Final = 1.030
# Of the beer into which it goes: from 1.000 to 1.060 the rise differs by 6 % to either side, less than the tenth to
# which an addition is believed.


def rise_points(grams: float, sweetener: Sweetener, volume_l: float) -> float:
    """By how many points a sugar raises the gravity, to a tenth.

    Parameters
    ----------
    grams : as weighed, above 0
    volume_l : of the beer, above 0

    Raises
    ------
    InputError
        The rise is none that can be meant.

    Source: mass balance of `calibration.brewday.after_boil`, densities of ICUMSA SPS-4.
    """
    place, said = "addition", f"{grams:g} g of {sweetener} in {volume_l:g} l raise the gravity by"
    too_much = InputError(place, f"{said} more than {MOST_POINTS:g} points; check grams and volume")
    before = wort(_BASE_SG, volume_l)
    try:
        after = after_boil(before, 0.0, sugar_kg=grams * DRY[sweetener] / 1000.0)
    except InputError:
        raise too_much from None
    points = round((after.gravity_sg - before.gravity_sg) / POINT_SG, 1)
    if points > MOST_POINTS:
        raise too_much
    if points < LEAST_POINTS:
        raise InputError(place, f"{said} less than {LEAST_POINTS:g} points; are those kilograms?")
    return points


def weighed_label(label: str, grams: float, sweetener: Sweetener) -> str:
    """What an addition is called, so that what was weighed is not lost: ``candy sugar, 300 g of sucrose``."""
    weight = f"{grams:g} g of {sweetener}"
    return f"{label}, {weight}" if label else weight
