"""How a fermenting liquid expands: the density at its own temperature against SG 20/20 °C.

A liquid is wort of the original gravity, fermented down to its present gravity: water, ethanol and extract.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from calibration.density import beer_density, ethanol_water_density, sucrose_density
from gylewatch.units import Number, plato_from_sg

WATER_20_C = 998.2031  # kg/m³; `water_density_kell(20)`, the denominator that belongs to the ICUMSA densities

TYPICAL_ORIGINAL_SG = 1.050
# Stands in for an original gravity that nobody stated: the middle of ordinary beers (common practice, no source).
# 1.040 or 1.065 instead move a finished beer at 4 °C by less than 0.2 points.

GRAVITY_LOW_SG = 0.980  # below the driest beer
TEMPERATURE_LOW_C, TEMPERATURE_HIGH_C = -5.0, 45.0
# OIML R 22 ends at 40 °C and Kell's water begins at 0 °C; both formulas are smooth a few degrees beyond.

_GRAVITY_DEGREE, _TEMPERATURE_DEGREE = 3, 6  # leave less than 0.002 points, tested against the mixture itself
_WARM_SG, _COLD_SG = 0.012, 0.005  # how far a liquid leaves its SG 20/20 at 45 °C (thinner) and at -5 °C (denser)
_FIXED_POINT_STEPS = 4  # each step shrinks the error a hundredfold


@dataclass(frozen=True, slots=True, kw_only=True)
class Composition:
    """Mass fractions in the whole beer."""

    ethanol: float
    extract: float


def composition(gravity_sg: float, original_gravity_sg: float) -> Composition:
    """Ethanol and real extract of wort of `original_gravity_sg` fermented to `gravity_sg` (both SG 20/20 °C).

    At or above the original gravity it is wort: extract only.

    Source: Balling's original-extract formula with the attenuation quotient q = 0.22 + 0.001 OE (De Clerck),
    from memory.
    """
    apparent = plato_from_sg(gravity_sg)
    if gravity_sg >= original_gravity_sg:
        return Composition(ethanol=0.0, extract=apparent / 100.0)
    original = plato_from_sg(original_gravity_sg)
    q = 0.22 + 0.001 * original
    real = (q * original + apparent) / (1.0 + q)
    return Composition(ethanol=(original - real) / (2.0665 - 0.010665 * original) / 100.0, extract=real / 100.0)


def partner_fractions(ethanol: Number, extract: Number, gravity_sg: Number) -> tuple[Number, Number]:
    """Mass fractions of the ethanol-water and the sucrose solution that hold as much per volume as the beer does.

    Parameters
    ----------
    ethanol, extract : mass fractions in the beer
    gravity_sg : SG 20/20 °C of the beer

    Returns
    -------
    ethanol and sucrose, each as a mass fraction of its own solution in water at 20 °C (see `density.beer_density`)
    """
    twenty = 20.0 + 0.0 * gravity_sg
    beer = gravity_sg * WATER_20_C
    p, w = ethanol, extract
    for _ in range(_FIXED_POINT_STEPS):
        p = ethanol * beer / ethanol_water_density(p, twenty)
        w = extract * beer / sucrose_density(w, twenty)
    return p, w


def expansion_ratio(gravity_sg: float, temperature_c: float, original_gravity_sg: float | None) -> float:
    """Density at `temperature_c` over density at 20 °C, of the liquid whose SG 20/20 °C is `gravity_sg`.

    Parameters
    ----------
    gravity_sg : SG 20/20 °C, 0.98..1.15
    temperature_c : °C, -5..45
    original_gravity_sg : SG 20/20 °C before fermentation; None: a beer of `TYPICAL_ORIGINAL_SG`
    """
    mix = composition(gravity_sg, TYPICAL_ORIGINAL_SG if original_gravity_sg is None else original_gravity_sg)
    p, w = partner_fractions(mix.ethanol, mix.extract, gravity_sg)
    return beer_density(p, w, temperature_c) / beer_density(p, w, 20.0)


def wort_expansion_ratio(gravity_sg: float, temperature_c: float) -> float:
    """Density at `temperature_c` over density at 20 °C of an unfermented sugar solution (ICUMSA SPS-4)."""
    w = plato_from_sg(gravity_sg) / 100.0
    return sucrose_density(w, temperature_c) / sucrose_density(w, 20.0)


def gravity_at_20_c(gravity_at_temperature_sg: float, temperature_c: float, original_gravity_sg: float | None) -> float:
    """SG 20/20 °C from the density of the liquid at its own temperature over that of water at 20 °C.

    The exact, slow form of `Expansion.gravity_at_20_c`; arguments as in `expansion_ratio`.
    """
    gravity_sg = gravity_at_temperature_sg
    for _ in range(_FIXED_POINT_STEPS):
        gravity_sg = gravity_at_temperature_sg / expansion_ratio(gravity_sg, temperature_c, original_gravity_sg)
    return gravity_sg


@dataclass(frozen=True, slots=True, kw_only=True)
class Expansion:
    """The mixture's expansion for one original gravity, as a polynomial: a few microseconds a call.

    ``rows[i][k]`` multiplies (g - 1)^i (t - 20)^(k+1), g the density at t over water at 20 °C.
    """

    original_gravity_sg: float
    rows: tuple[tuple[float, ...], ...]

    def factor(self, gravity_at_temperature_sg: float, temperature_c: float) -> float:
        """SG 20/20 °C over density at `temperature_c` over water at 20 °C; outside its ranges held at the edge."""
        g = gravity_at_temperature_sg
        low, high = GRAVITY_LOW_SG - _WARM_SG, self.original_gravity_sg + _COLD_SG
        g = (low if g < low else min(g, high)) - 1.0
        u = temperature_c
        u = (TEMPERATURE_LOW_C if u < TEMPERATURE_LOW_C else min(u, TEMPERATURE_HIGH_C)) - 20.0
        total = 0.0
        for c1, c2, c3, c4, c5, c6 in self.rows:
            total = total * g + u * (c1 + u * (c2 + u * (c3 + u * (c4 + u * (c5 + u * c6)))))
        return 1.0 + total


@lru_cache(maxsize=64)
def expansion_of(original_gravity_sg: float | None) -> Expansion:
    """The `Expansion` for one original gravity; computed once and kept, a pure function of its argument."""
    original = TYPICAL_ORIGINAL_SG if original_gravity_sg is None else original_gravity_sg
    nodes = np.cos(np.pi * (np.arange(12) + 0.5) / 12)
    gravities = GRAVITY_LOW_SG + (original - GRAVITY_LOW_SG) * (nodes + 1.0) / 2.0
    nodes = np.cos(np.pi * (np.arange(20) + 0.5) / 20)
    temperatures = TEMPERATURE_LOW_C + (TEMPERATURE_HIGH_C - TEMPERATURE_LOW_C) * (nodes + 1.0) / 2.0
    mixes = [composition(float(g), original) for g in gravities]
    p, w = partner_fractions(
        np.array([mix.ethanol for mix in mixes]), np.array([mix.extract for mix in mixes]), gravities
    )
    t = np.broadcast_to(temperatures, (len(gravities), len(temperatures)))
    at_20 = beer_density(p, w, 20.0 + 0.0 * p)
    ratio = beer_density(p[:, None], w[:, None], t) / at_20[:, None]
    scaled_g = (gravities[:, None] * ratio - 1.0).ravel() / 0.05
    scaled_u = ((t - 20.0) / 25.0).ravel()
    powers = [(i, k) for i in range(_GRAVITY_DEGREE + 1) for k in range(1, _TEMPERATURE_DEGREE + 1)]
    design = np.stack([scaled_g**i * scaled_u**k for i, k in powers], axis=1)
    fitted, *_ = np.linalg.lstsq(design, (1.0 / ratio - 1.0).ravel(), rcond=None)
    scaled = {(i, k): float(value) / 0.05**i / 25.0**k for (i, k), value in zip(powers, fitted, strict=True)}
    rows = tuple(
        tuple(scaled[i, k] for k in range(1, _TEMPERATURE_DEGREE + 1)) for i in reversed(range(_GRAVITY_DEGREE + 1))
    )
    return Expansion(original_gravity_sg=original, rows=rows)
