"""Density and composition of simulated wort and beer; written apart from `calibration`, so that they can disagree."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_SUCROSE: dict[tuple[int, int], float] = {
    (0, 1): 385.1761,
    (0, 2): 135.3705,
    (0, 3): 40.9299,
    (0, 4): -3.9643,
    (0, 5): 13.4853,
    (0, 6): -17.2890,
    (1, 1): -46.2720,
    (1, 2): -7.1720,
    (1, 3): 1.1597,
    (1, 4): 5.1126,
    (1, 5): 17.5254,
    (2, 1): 59.7712,
    (2, 2): 7.2491,
    (2, 3): 12.3630,
    (2, 4): -35.4791,
    (3, 1): -47.2207,
    (3, 2): -21.6977,
    (3, 3): 27.6301,
    (4, 1): 18.3184,
    (4, 2): 12.3081,
}
"""ICUMSA SPS-4 (1998), keys (power of (t - 20)/100, power of the mass fraction), kg/m3."""
_WATER = (999.83952, 16.952577, -0.0079905127, -4.6241757e-05, 1.0584601e-07, -2.8103006e-10)
_WATER_DENOMINATOR = 0.016887236

_ETHANOL_A = (
    998.20123,
    -192.9769495,
    389.1238958,
    -1668.103923,
    13522.15441,
    -88292.78388,
    306287.4042,
    -613838.1234,
    747017.2998,
    -547846.1354,
    223446.0334,
    -39032.85426,
)
_ETHANOL_B = (-0.20618513, -0.0052682542, 3.6130013e-05, -3.8957702e-07, 7.169354e-09, -9.9739231e-11)
_ETHANOL_C: tuple[tuple[float, ...], ...] = (
    (
        0.1693443461530087,
        -10.46914743455169,
        71.96353469546523,
        -704.7478054272792,
        3924.090430035045,
        -12101.64659068747,
        22486.46550400788,
        -26055.62982188164,
        18523.73922069467,
        -7420.201433430137,
        1285.617841998974,
    ),
    (
        -0.0119301300505701,
        0.2517399633803461,
        -2.170575700536993,
        13.53034988843029,
        -50.29988758547014,
        109.635566657757,
        -142.2753946421155,
        108.043594285623,
        -44.14153236817392,
        7.442971530188783,
    ),
    (
        -0.0006802995733503803,
        0.01876837790289664,
        -0.2002561813734156,
        1.02299296671922,
        -2.895696483903638,
        4.810060584300675,
        -4.672147440794683,
        2.458043105903461,
        -0.5411227621436812,
    ),
    (
        4.075376675622027e-06,
        -8.76305857347111e-06,
        6.515031360099368e-06,
        -1.51578483698721e-06,
    ),
    (
        -2.788074354782409e-08,
        1.345612883493354e-08,
    ),
)
"""OIML R 22 (1975): A by power of p, B by power of (t - 20), C by power of (t - 20), then of p, kg/m3."""

ETHANOL_SG_20_20 = 0.79066
"""OIML R 22 at 20 C: 789.239 / 998.201."""


def water_density(temperature_c: FloatArray) -> FloatArray:
    """Density of water in kg/m3; (n,) C, 0..40.

    Source: Kell-type formula used with ICUMSA SPS-4 (1998).
    """
    numerator = np.polynomial.polynomial.polyval(temperature_c, _WATER)
    return np.asarray(numerator / (1.0 + _WATER_DENOMINATOR * temperature_c))


WATER_20_C = float(water_density(np.array(20.0)))


def sucrose_density(mass_fraction: FloatArray, temperature_c: FloatArray) -> FloatArray:
    """Density of a sucrose solution in kg/m3; mass fraction 0..0.3, C 0..40.

    Source: ICUMSA SPS-4 (1998).
    """
    tau = (np.asarray(temperature_c) - 20.0) / 100.0
    excess = sum(value * mass_fraction**k * tau**i for (i, k), value in _SUCROSE.items())
    return np.asarray(water_density(temperature_c) + excess)


def ethanol_density(mass_fraction: FloatArray, temperature_c: FloatArray) -> FloatArray:
    """Density of an ethanol-water mixture in kg/m3; mass fraction 0..1, C -20..40.

    Source: OIML R 22 (1975).
    """
    warm = np.asarray(temperature_c) - 20.0
    density = np.polynomial.polynomial.polyval(mass_fraction, _ETHANOL_A)
    density = density + np.polynomial.polynomial.polyval(warm, (0.0, *_ETHANOL_B))
    for i, row in enumerate(_ETHANOL_C, start=1):
        density = density + warm**i * np.polynomial.polynomial.polyval(mass_fraction, (0.0, *row))
    return np.asarray(density)


_FRACTION_GRID = np.linspace(-0.02, 0.32, 3401)
_SG_GRID = sucrose_density(_FRACTION_GRID, np.array(20.0)) / WATER_20_C


def plato(gravity_sg: FloatArray) -> FloatArray:
    """Extract in mass percent of the sucrose solution of that SG 20/20 (vacuum): the ICUMSA density inverted."""
    return np.asarray(100.0 * np.interp(gravity_sg, _SG_GRID, _FRACTION_GRID))


def real_extract_plato(original_plato: float, apparent_plato: FloatArray) -> FloatArray:
    """Real extract by Balling's attenuation quotient: q = 0.22 + 0.001 OE, RE = (q OE + AE)/(1 + q) (De Clerck)."""
    q = 0.22 + 0.001 * original_plato
    return np.asarray((q * original_plato + apparent_plato) / (1.0 + q))


def alcohol_by_weight(original_plato: float, real_plato: FloatArray) -> FloatArray:
    """Alcohol in mass percent: (OE - RE)/(2.0665 - 0.010665 OE), Balling."""
    return np.asarray((original_plato - real_plato) / (2.0665 - 0.010665 * original_plato))


def abv_percent(original_gravity_sg: float, gravity_sg: FloatArray) -> FloatArray:
    """Alcohol by volume from Balling's mass percent and the density ratio of ethanol, 0.791 at 20/20 (ASBC Beer-4)."""
    original = float(plato(np.array(original_gravity_sg)))
    by_weight = alcohol_by_weight(original, real_extract_plato(original, plato(gravity_sg)))
    return np.asarray(np.maximum(by_weight, 0.0) * gravity_sg / 0.791)


def density_at(original_gravity_sg: float, gravity_sg: FloatArray, temperature_c: FloatArray) -> FloatArray:
    """Density of fermenting beer at its own temperature, kg/m3.

    Water, ethanol and extract after Balling; the mixture expands by the product of what ICUMSA's solution and the
    OIML mixture expand over water. The simulator's own choice; no source gives the three-part mixture.
    """
    original = float(plato(np.array(original_gravity_sg)))
    extract = real_extract_plato(original, plato(gravity_sg))
    ethanol = np.maximum(alcohol_by_weight(original, extract), 0.0) / 100.0
    w = np.maximum(extract, 0.0) / 100.0
    at_20 = np.array(20.0)
    expansion = (
        sucrose_density(w, temperature_c)
        / sucrose_density(w, at_20)
        * (ethanol_density(ethanol, temperature_c) / ethanol_density(ethanol, at_20))
        / (ethanol_density(np.array(0.0), temperature_c) / ethanol_density(np.array(0.0), at_20))
    )
    return np.asarray(gravity_sg * WATER_20_C * expansion)
