"""What a refractometer's reading means: sugar alone before fermentation, sugar and alcohol afterwards.

Readings are Brix (% by mass) at 20 °C divided by the wort correction factor, `o` for the original wort, `f` for now.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from statistics import median, stdev

from calibration.strength import abw_percent
from gylewatch.errors import OutOfDomain
from gylewatch.units import plato_from_sg, sg_from_plato
from gylewatch.values import WORT_CORRECTION_FACTOR

_ETHANOL_BRIX = 0.47
# Brix that 1 % by mass of ethanol reads as: refractive increments 0.00068 (ethanol, 5 %) over 0.00145 (sucrose, 10 %),
# CRC Handbook, concentrative properties of aqueous solutions, and ICUMSA SPS-3; from memory.

_MIXTURE_ONLY, _CORRELATIONS_ALL = 0.80, 0.60
# The correlations were fitted to finished beers, f near half of o; with f = o they miss the wort by 1 to 17 points.
# Above the first ratio f/o the mixture alone speaks, below the second the median of all.

_LEAST_SPREAD_SG = 0.0008
# The correlations that agree on a half-fermented beer share their makers' habits: no less than the misfit that
# their authors report for single beers (common practice, no source).

# Correction to add at each temperature, for readings of 10, 15, 20, 25 and 30 %.
# OIV Compendium, OIV-MA-AS2-02, table I; below 20 °C as printed, above 20 °C from memory (allow 0.04).
_CORRECTION_AT_PERCENT = (10.0, 15.0, 20.0, 25.0, 30.0)
_CORRECTIONS = (
    (5.0, (-0.82, -0.87, -0.92, -0.95, -0.99)),
    (6.0, (-0.80, -0.82, -0.87, -0.90, -0.94)),
    (7.0, (-0.74, -0.78, -0.82, -0.84, -0.88)),
    (8.0, (-0.69, -0.73, -0.76, -0.79, -0.82)),
    (9.0, (-0.64, -0.67, -0.71, -0.73, -0.75)),
    (10.0, (-0.59, -0.62, -0.65, -0.67, -0.69)),
    (11.0, (-0.54, -0.57, -0.59, -0.61, -0.63)),
    (12.0, (-0.49, -0.51, -0.53, -0.55, -0.56)),
    (13.0, (-0.43, -0.45, -0.47, -0.48, -0.50)),
    (14.0, (-0.38, -0.39, -0.40, -0.42, -0.43)),
    (15.0, (-0.32, -0.33, -0.34, -0.35, -0.36)),
    (16.0, (-0.26, -0.27, -0.28, -0.28, -0.29)),
    (17.0, (-0.20, -0.20, -0.21, -0.21, -0.22)),
    (20.0, (0.0, 0.0, 0.0, 0.0, 0.0)),
    (25.0, (0.36, 0.37, 0.38, 0.38, 0.38)),
    (30.0, (0.77, 0.78, 0.80, 0.80, 0.80)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Refraction:
    """Gravity behind one reading, with every correlation beside it."""

    gravity_sg: float
    spread_sg: float  # sd of the correlations that apply: what they do not agree on
    by_correlation: tuple[tuple[str, float], ...]  # (name, SG), side by side; empty for wort


def temperature_correction_brix(reading_brix: float, temperature_c: float) -> float:
    """Brix to add to the reading of an instrument without automatic compensation.

    Raises
    ------
    OutOfDomain
        `temperature_c` outside 5..30: let the drop reach the temperature of the room.

    Source: OIV-MA-AS2-02, table I, linear between its entries; below 10 % its 10 % column is scaled towards the
    slightly smaller correction of water (0.9 of it), from memory.
    """
    if not _CORRECTIONS[0][0] <= temperature_c <= _CORRECTIONS[-1][0]:
        raise OutOfDomain("refractometer temperature in °C", temperature_c, _CORRECTIONS[0][0], _CORRECTIONS[-1][0])
    for (cold, cold_row), (warm, warm_row) in pairwise(_CORRECTIONS):
        if temperature_c <= warm:
            share = (temperature_c - cold) / (warm - cold)
            return (1.0 - share) * _across(cold_row, reading_brix) + share * _across(warm_row, reading_brix)
    raise AssertionError("the table covers every temperature that was let in")


def wort_gravity_sg(reading_brix: float, *, wort_correction_factor: float = WORT_CORRECTION_FACTOR) -> float:
    """SG 20/20 °C of an unfermented wort from its reading at 20 °C (ASBC polynomial, inverted)."""
    return sg_from_plato(reading_brix / wort_correction_factor)


def fermented_gravity(
    reading_brix: float, original_gravity_sg: float, *, wort_correction_factor: float = WORT_CORRECTION_FACTOR
) -> Refraction:
    """Gravity of fermenting or fermented beer from its reading at 20 °C and its original gravity.

    Parameters
    ----------
    reading_brix : Brix as read, at 20 °C or compensated
    original_gravity_sg : SG 20/20 °C before fermentation

    Source: the five published correlations of `correlations` and the mixture of `mixture_gravity_sg`.
    """
    o, f = plato_from_sg(original_gravity_sg), reading_brix / wort_correction_factor
    mixture = mixture_gravity_sg(o, f)
    if f >= o:
        return Refraction(gravity_sg=sg_from_plato(f), spread_sg=0.0, by_correlation=())
    beside = (("extract and ethanol by Balling", mixture), *correlations(o, f))
    share = min(max((_MIXTURE_ONLY - f / o) / (_MIXTURE_ONLY - _CORRELATIONS_ALL), 0.0), 1.0)
    every = [value for _, value in beside]
    gravity = (1.0 - share) * mixture + share * median(every)
    # The ones fitted to finished beers only say nothing about a wort that has just begun.
    spread = stdev(every) if share == 1.0 else stdev(value for name, value in beside if "Terrill" not in name)
    return Refraction(gravity_sg=gravity, spread_sg=max(spread, _LEAST_SPREAD_SG), by_correlation=beside)


def mixture_gravity_sg(original_plato: float, reading_brix: float) -> float:
    """Gravity at which Balling's real extract and ethanol together refract as read.

    Source: reading = RE + 0.47 ABW with RE and ABW of `calibration.strength`, solved for the apparent extract.
    """
    alcohol_per_extract = abw_percent(original_plato, original_plato - 1.0)
    k = _ETHANOL_BRIX * alcohol_per_extract
    real = (reading_brix - k * original_plato) / (1.0 - k)
    q = 0.22 + 0.001 * original_plato
    return sg_from_plato(real * (1.0 + q) - q * original_plato)


def correlations(o: float, f: float) -> tuple[tuple[str, float], ...]:
    """Final gravity by the published correlations; all coefficients from memory.

    Parameters
    ----------
    o, f : original and present Brix, each divided by the wort correction factor
    """
    return (
        (
            "Bonham 2001, cubic",
            1.001843
            + o * (-0.002318474 + o * (-0.000007775 - o * 0.000000034))
            + f * (0.00574 + f * (0.00003344 + f * 0.000000086)),
        ),
        ("Terrill 2011, linear", 1.0 - 0.00085683 * o + 0.0034941 * f),
        (
            "Terrill 2011, cubic",
            1.0
            + o * (-0.0044993 + o * (0.00027581 - o * 0.0000072800))
            + f * (0.011774 + f * (-0.0012717 + f * 0.000063293)),
        ),
        ("Novotny 2017, linear", 1.0 - 0.002349 * o + 0.006276 * f),
        (
            "Novotny 2017, quadratic",
            1.0 + 1.335e-5 * o * o - 3.239e-5 * o * f + 2.916e-5 * f * f - 2.421e-3 * o + 6.219e-3 * f,
        ),
    )


def _across(row: tuple[float, ...], reading_brix: float) -> float:
    if reading_brix <= _CORRECTION_AT_PERCENT[0]:
        share = max(reading_brix, 0.0) / _CORRECTION_AT_PERCENT[0]
        return row[0] * (0.9 + 0.1 * share)
    for i in range(1, len(row)):
        if reading_brix <= _CORRECTION_AT_PERCENT[i]:
            share = (reading_brix - _CORRECTION_AT_PERCENT[i - 1]) / 5.0
            return row[i - 1] + share * (row[i] - row[i - 1])
    return row[-1]
