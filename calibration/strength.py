"""Alcohol, extract, attenuation and energy from two gravities. For the brewer's own use: not for duty or labelling.

Gravities are SG 20/20 °C, extracts °P. Functions of `Number` take one number or an array of numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from gylewatch.errors import OutOfDomain
from gylewatch.units import Number, plato_from_sg

ETHANOL_SG = 0.791  # SG 20/20 °C of pure ethanol; OIML R 22 gives 0.79066. 0.794 belongs to 60/60 °F.

PREFERRED = "Balling with attenuation quotient"
WHY_PREFERRED = (
    "It balances the mass of extract, ethanol, carbon dioxide and yeast, holds at any strength, and its real extract "
    "follows the original extract; a straight rule holds only for ordinary beers."
)
DUTY_CAUTION = (
    "For comparison only: a declaration of strength rests on your authority's rules, its present notice and measured "
    "alcohol; this figure is neither a declaration nor fit for a label."
)

# HMRC Excise Notice 226, table 30.3: greatest difference of gravity in degrees, factor. The official page itself was
# not seen down to the table; three public quotations agree. The notice was to be replaced in February 2025.
_DUTY_FACTORS = (
    (6.9, 0.125),
    (10.4, 0.126),
    (17.2, 0.127),
    (26.1, 0.128),
    (36.0, 0.129),
    (46.5, 0.130),
    (57.1, 0.131),
    (67.9, 0.132),
    (78.8, 0.133),
    (89.7, 0.134),
    (100.7, 0.135),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Strength:
    """Everything two gravities say about a beer; alcohol by the preferred formula, the others beside it."""

    abv_percent: float
    abw_percent: float
    abv_by_formula: tuple[tuple[str, float], ...]  # (name, % vol), the preferred first
    abv_low_percent: float  # least and greatest of the formulas: their spread, not a confidence interval
    abv_high_percent: float
    original_extract_plato: float
    apparent_extract_plato: float
    real_extract_plato: float
    apparent_attenuation: float  # fraction
    real_attenuation: float  # fraction
    energy_kcal_per_100_ml: float
    energy_kj_per_100_ml: float


def real_extract_plato(original_plato: Number, apparent_plato: Number) -> Number:
    """Real extract, °P.

    Source: Balling's attenuation quotient q = 0.22 + 0.001 OE, RE = (q OE + AE)/(1 + q); De Clerck, A Textbook of
    Brewing, 1957; from memory.
    """
    q = 0.22 + 0.001 * original_plato
    return (q * original_plato + apparent_plato) / (1.0 + q)


def real_extract_simple_plato(original_plato: Number, apparent_plato: Number) -> Number:
    """Real extract, °P, by the fixed quotient RE = 0.1808 OE + 0.8192 AE (Balling; from memory)."""
    return 0.1808 * original_plato + 0.8192 * apparent_plato


def abw_percent(original_plato: Number, real_plato: Number) -> Number:
    """Alcohol, % by mass, from original and real extract.

    Source: Balling, ABW = (OE - RE)/(2.0665 - 0.010665 OE): 2.0665 g of extract give 1 g of ethanol, 0.9565 g of carbon
    dioxide and 0.11 g of yeast. From memory; it is the exact rearrangement of ASBC Beer-6's original extract.
    """
    return (original_plato - real_plato) / (2.0665 - 0.010665 * original_plato)


def abv_percent(original_gravity_sg: Number, gravity_sg: Number) -> Number:
    """Alcohol, % by volume at 20 °C, by the preferred formula (`PREFERRED`); below zero above the original gravity.

    Parameters
    ----------
    original_gravity_sg, gravity_sg : SG 20/20 °C, 0.98..1.13

    Source: Balling with the attenuation quotient, `real_extract_plato` and `abw_percent`;
    ABV = ABW SG/0.791 (ASBC Beer-4).
    """
    original = plato_from_sg(original_gravity_sg)
    real = real_extract_plato(original, plato_from_sg(gravity_sg))
    return abw_percent(original, real) * gravity_sg / ETHANOL_SG


def abv_balling_simple_percent(original_gravity_sg: Number, gravity_sg: Number) -> Number:
    """Alcohol, % by volume: Balling with the fixed quotient of `real_extract_simple_plato`."""
    original = plato_from_sg(original_gravity_sg)
    real = real_extract_simple_plato(original, plato_from_sg(gravity_sg))
    return abw_percent(original, real) * gravity_sg / ETHANOL_SG


def abv_cutaia_percent(original_gravity_sg: Number, gravity_sg: Number) -> Number:
    """Alcohol, % by volume: ABW = 0.38726 (OE - AE) + 0.00307 (OE - AE)².

    Source: Cutaia, Reid, Speers, J. Inst. Brew. 115, 318-327, 2009; coefficients from memory, low confidence (0.15 %).
    """
    drop = plato_from_sg(original_gravity_sg) - plato_from_sg(gravity_sg)
    return (0.38726 + 0.00307 * drop) * drop * gravity_sg / ETHANOL_SG


def abv_hall_percent(original_gravity_sg: Number, gravity_sg: Number) -> Number:
    """Alcohol, % by volume: ABW = 76.08 (OG - FG)/(1.775 - OG), ABV = ABW FG/0.794.

    Source: M. Hall, Brew by the Numbers, Zymurgy, summer 1995; from memory.
    """
    return 76.08 * (original_gravity_sg - gravity_sg) / (1.775 - original_gravity_sg) * gravity_sg / 0.794


def abv_simple_percent(original_gravity_sg: Number, gravity_sg: Number) -> Number:
    """Alcohol, % by volume: 131.25 (OG - FG). Common practice, no source; for ordinary beers."""
    return 131.25 * (original_gravity_sg - gravity_sg)


def abv_duty_percent(original_gravity_sg: float, gravity_sg: float) -> float:
    """Alcohol, % by volume, by the duty authority's factor table, cut to one decimal. See `DUTY_CAUTION`.

    Raises
    ------
    OutOfDomain
        The difference of gravity is negative or beyond the table's 100.7 degrees.

    Source: HMRC Excise Notice 226, section 30.2 and table 30.3.
    """
    difference = round(1000.0 * (original_gravity_sg - gravity_sg), 1)
    for greatest, factor in _DUTY_FACTORS:
        if 0.0 <= difference <= greatest:
            # A millionth of a per cent keeps 4.5 from being cut to 4.4 by binary rounding.
            return math.floor(10.0 * difference * factor + 1e-5) / 10.0
    raise OutOfDomain("difference of gravity in degrees", difference, 0.0, _DUTY_FACTORS[-1][0])


def apparent_attenuation(original_gravity_sg: Number, gravity_sg: Number) -> Number:
    """Apparent degree of fermentation, fraction: (OE - AE)/OE (ASBC Beer-6; from memory)."""
    original = plato_from_sg(original_gravity_sg)
    return (original - plato_from_sg(gravity_sg)) / original


def real_attenuation(original_gravity_sg: Number, gravity_sg: Number) -> Number:
    """Real degree of fermentation, fraction: (OE - RE)/OE /(1 - 0.005161 RE) (ASBC Beer-6B; from memory)."""
    original = plato_from_sg(original_gravity_sg)
    real = real_extract_plato(original, plato_from_sg(gravity_sg))
    return (original - real) / original / (1.0 - 0.005161 * real)


def energy_kcal_per_100_g(alcohol_abw_percent: Number, real_plato: Number) -> Number:
    """Energy, kcal per 100 g: 6.9 ABW + 4.0 (RE - 0.1), 0.1 standing for ash (ASBC Beer-33; from memory)."""
    return 6.9 * alcohol_abw_percent + 4.0 * (real_plato - 0.1)


def strength(original_gravity_sg: float, gravity_sg: float) -> Strength:
    """All figures of strength of one beer, every formula beside the preferred one.

    Raises
    ------
    OutOfDomain
        A gravity outside 0.98..1.13, the final above the original, or an original of 1.002 or less: no wort.
    """
    if not 1.002 < original_gravity_sg <= 1.13:
        raise OutOfDomain("original gravity", original_gravity_sg, 1.002, 1.13)
    if not 0.98 <= gravity_sg <= original_gravity_sg:
        raise OutOfDomain("gravity", gravity_sg, 0.98, original_gravity_sg)
    original, apparent = plato_from_sg(original_gravity_sg), plato_from_sg(gravity_sg)
    real = real_extract_plato(original, apparent)
    abw = abw_percent(original, real)
    by_formula = (
        (PREFERRED, abv_percent(original_gravity_sg, gravity_sg)),
        ("Balling with fixed quotient", abv_balling_simple_percent(original_gravity_sg, gravity_sg)),
        ("Cutaia, Reid and Speers 2009", abv_cutaia_percent(original_gravity_sg, gravity_sg)),
        ("Hall 1995", abv_hall_percent(original_gravity_sg, gravity_sg)),
        ("131.25 times the drop", abv_simple_percent(original_gravity_sg, gravity_sg)),
    )
    energy = energy_kcal_per_100_g(abw, real) * gravity_sg * 0.9982  # g/ml of water at 20 °C
    return Strength(
        abv_percent=by_formula[0][1],
        abw_percent=abw,
        abv_by_formula=by_formula,
        abv_low_percent=min(value for _, value in by_formula),
        abv_high_percent=max(value for _, value in by_formula),
        original_extract_plato=original,
        apparent_extract_plato=apparent,
        real_extract_plato=real,
        apparent_attenuation=apparent_attenuation(original_gravity_sg, gravity_sg),
        real_attenuation=real_attenuation(original_gravity_sg, gravity_sg),
        energy_kcal_per_100_ml=energy,
        energy_kj_per_100_ml=4.184 * energy,  # thermochemical calorie
    )
