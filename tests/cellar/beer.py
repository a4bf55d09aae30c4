"""Facts of water, wort and beer. Gravity in SG 20/20, extract in °P, temperature in °C."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

WATER_20_G_CM3 = 0.998206


def water_density(temperature_c: FloatArray | float) -> FloatArray:
    """Density of water in g/cm3 (Kell 1975, coefficients from memory)."""
    t = np.asarray(temperature_c, dtype=float)
    top = 999.83952 + t * (
        16.945176 + t * (-7.9870401e-3 + t * (-46.170461e-6 + t * (105.56302e-9 - t * 280.54253e-12)))
    )
    return np.asarray(top / (1.0 + 16.879850e-3 * t) / 1000.0)


def felt_gravity(gravity_sg: FloatArray | float, temperature_c: FloatArray | float) -> FloatArray:
    """What a body floating at `temperature_c` feels of a beer: its density over that of water at 20 °C."""
    beer, warmth = np.asarray(gravity_sg, dtype=float), np.asarray(temperature_c, dtype=float)
    # Wort expands a little more than water: about 0.25 points at 12 °P and ten degrees (from memory).
    extra = -0.0005 * (beer - 1.0) * (warmth - 20.0)
    return np.asarray(beer * water_density(warmth) / WATER_20_G_CM3 + extra)


def plato(gravity_sg: float) -> float:
    """Extract in °P (the usual cubic to the ASBC table, from memory)."""
    return -616.868 + gravity_sg * (1111.14 + gravity_sg * (-630.272 + gravity_sg * 135.997))


def _real_extract(original_p: float, apparent_p: float) -> float:
    return 0.1808 * original_p + 0.8192 * apparent_p


def alcohol_by_weight(original_sg: float, gravity_sg: float) -> float:
    """Percent by weight (Balling, as commonly printed; from memory)."""
    original_p = plato(original_sg)
    real = _real_extract(original_p, plato(gravity_sg))
    return max(0.0, (original_p - real) / (2.0665 - 0.010665 * original_p))


def alcohol_by_volume(original_sg: float, gravity_sg: float) -> float:
    """Percent by volume; 0.7907 is the relative density of ethanol at 20 °C."""
    return alcohol_by_weight(original_sg, gravity_sg) * gravity_sg / 0.7907


def refractometer_brix(original_sg: float, gravity_sg: float) -> float:
    """What a refractometer shows of a fermenting beer, uncorrected.

    Real extract and alcohol refract side by side. One percent of ethanol by weight counts like 0.48 °Bx, and wort
    like 1.04 times its sugar (both from memory of refraction tables).
    """
    real = _real_extract(plato(original_sg), plato(gravity_sg))
    return 1.04 * (real + 0.48 * alcohol_by_weight(original_sg, gravity_sg))
