"""Conversions between the units of the trade. Every function takes one number or an array of numbers.

Single-letter names are those of the equation that the docstring cites.
"""

from __future__ import annotations

from typing import TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
Number = TypeVar("Number", float, FloatArray)

POINT_SG = 0.001
NORMAL_80 = 1.2815515655446004  # half width of a central 80 % interval in standard deviations (normal quantile 0.9)
_NEWTON_STEPS = 3  # the rational start is within 0.004 °P; each step squares the error, so three reach rounding


def half_points(sd_sg: float) -> float:
    """Half the width of the 80 % interval that belongs to a standard deviation in SG, in points."""
    return NORMAL_80 * sd_sg / POINT_SG


def plato_from_sg(gravity_sg: Number) -> Number:
    """Extract in °P (% by mass) of a wort of this gravity.

    Parameters
    ----------
    gravity_sg : SG 20/20 °C, 0.98..1.15

    Returns
    -------
    °P; -0.003 at 1.000, the rounding of the source's coefficients

    Source: polynomial of the American Society of Brewing Chemists' tables, 0..25 °P; within 0.012 °P of the
    ICUMSA SPS-4 density in air over 0..25 °P.
    """
    s = gravity_sg
    return ((135.997 * s - 630.272) * s + 1111.14) * s - 616.868


def sg_from_plato(extract_plato: Number) -> Number:
    """SG 20/20 °C of a wort of this extract: the inverse of `plato_from_sg`, to rounding.

    Parameters
    ----------
    extract_plato : °P, -5..35

    Source: Newton's method on the ASBC polynomial; start s = 1 + P/(258.6 - 227.1 P/258.2), common practice, from
    memory.
    """
    s = 1.0 + extract_plato / (258.6 - 0.879551 * extract_plato)
    for _ in range(_NEWTON_STEPS):
        s = s - (plato_from_sg(s) - extract_plato) / ((407.991 * s - 1260.544) * s + 1111.14)
    return s


def celsius_from_fahrenheit(temperature_f: Number) -> Number:
    """°C from °F (exact by definition)."""
    return (temperature_f - 32.0) / 1.8


def fahrenheit_from_celsius(temperature_c: Number) -> Number:
    """°F from °C (exact by definition)."""
    return temperature_c * 1.8 + 32.0


def points_from_sg(gravity_sg: Number) -> Number:
    """Gravity in points above water: 1.048 is 48 points."""
    return (gravity_sg - 1.0) / POINT_SG


def sg_from_points(gravity_points: Number) -> Number:
    """SG of a gravity in points above water."""
    return 1.0 + gravity_points * POINT_SG
