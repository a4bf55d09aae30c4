"""Hand samples as a brewer reads and writes them down."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from tests.simulator.beer import WATER_20_C, density_at, plato

GLASS_EXPANSION_PER_C = 25e-6
"""Conventional value of ISO 1768:1975."""


def hydrometer_sg(original_gravity_sg: float, gravity_sg: float, temperature_c: float) -> float:
    """The scale reading R of a 20 C hydrometer: rho(t) (1 + b (t - 20)) = R rho_water(20)."""
    density = float(density_at(original_gravity_sg, np.array(gravity_sg), np.array(temperature_c)))
    return density * (1.0 + GLASS_EXPANSION_PER_C * (temperature_c - 20.0)) / WATER_20_C


def density_g_per_cm3(original_gravity_sg: float, gravity_sg: float, temperature_c: float) -> float:
    """What a bench density meter shows at the sample's temperature."""
    return float(density_at(original_gravity_sg, np.array(gravity_sg), np.array(temperature_c))) / 1000.0


def refractometer_brix(original_gravity_sg: float, gravity_sg: float, wort_factor: float) -> float:
    """Brix shown by a beer: FG = 1 - 0.002349 o + 0.006276 f (P. Novotny, 2017, from memory) solved for f.

    Near the original gravity the formula does not close, so the part missing there is faded out with the drop.
    """
    o = float(plato(np.array(original_gravity_sg)))
    solved = (gravity_sg - 1.0 + 0.002349 * o) / 0.006276
    at_start = (original_gravity_sg - 1.0 + 0.002349 * o) / 0.006276
    undone = (gravity_sg - 1.0) / (original_gravity_sg - 1.0)
    return wort_factor * (solved + (o - at_start) * max(undone, 0.0))


def draw_temperature_c(beer_c: float, rng: Generator) -> float:
    """A drawn sample warms or cools towards the room."""
    return round(float(np.clip(20.0 + (beer_c - 20.0) * rng.uniform(0.0, 0.7) + rng.normal(0.0, 1.0), 4.0, 32.0)), 1)
