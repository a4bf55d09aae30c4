"""A tilting float: the law from density to angle, its electronics, and the references its owner took."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from gylewatch.values import FloatId, Reference
from tests.simulator.beer import WATER_20_C, FloatArray, plato, sucrose_density
from tests.simulator.recipe import log_uniform

_RELATIVE_DENSITY = np.linspace(0.94, 1.16, 4401)


@dataclass(frozen=True, slots=True, kw_only=True)
class TiltingFloat:
    """The true law of one float: `angle_deg` over density relative to water at 20 C, at 20 C electronics."""

    density: FloatArray
    law_deg: FloatArray
    electronics_deg_per_c: float

    def angle_deg(self, density: FloatArray, temperature_c: FloatArray) -> FloatArray:
        """The angle in a still liquid of that relative density and temperature."""
        still = np.interp(density, self.density, self.law_deg)
        return np.asarray(still + self.electronics_deg_per_c * (temperature_c - 20.0))

    def density_of(self, angle_deg: FloatArray) -> FloatArray:
        """The law inverted, at 20 C."""
        return np.asarray(np.interp(angle_deg, self.law_deg, self.density))


def _cylinder_law(water_deg: float, strong_deg: float, radius: float) -> FloatArray:
    """Equilibrium of a ballasted cylinder, tilted, its bottom wet and its top dry.

    Torque: tan a ((L/2 - c) + k (1 + tan^2 a / 2)) = e with k = r^2/(4 L), immersed length L = 1/density, centre of
    gravity at height c and offset e. Archimedes and the hydrostatics of a circular cylinder; arithmetic, no source.
    c and e follow from the two angles wanted, in water and at 1.080.
    """
    x0, x1 = np.tan(np.radians((water_deg, strong_deg)))
    k0, k1 = radius**2 / 4.0, radius**2 * 1.08 / 4.0
    a0 = x0 * (0.5 + k0 + k0 * x0**2 / 2.0)
    a1 = x1 * (0.5 / 1.08 + k1 + k1 * x1**2 / 2.0)
    c = (a1 - a0) / (x1 - x0)
    e = a0 - c * x0
    k = radius**2 * _RELATIVE_DENSITY / 4.0
    lever = 0.5 / _RELATIVE_DENSITY - c + k
    x = np.full_like(_RELATIVE_DENSITY, x1)
    for _ in range(60):
        x = np.maximum(x - (x * (lever + k * x**2 / 2.0) - e) / (lever + 1.5 * k * x**2), 1e-3)
    return np.asarray(np.degrees(np.arctan(x)))


def _saturating_law(water_deg: float, strong_deg: float, bend: float) -> FloatArray:
    """An angle that rises ever more slowly towards an end, as a blunt float does; a shape, no source."""
    span = (strong_deg - water_deg) / -np.expm1(-bend * 0.080)
    return np.asarray(water_deg - span * np.expm1(-bend * (_RELATIVE_DENSITY - 1.0)))


def _is_usable(law_deg: FloatArray) -> bool:
    """Whether every point of gravity between water and 1.090 moves the float by 0.17 to 1.5 degrees."""
    beer = (_RELATIVE_DENSITY >= 1.0) & (_RELATIVE_DENSITY <= 1.090)
    deg_per_point = np.gradient(law_deg, _RELATIVE_DENSITY * 1000.0)[beer]
    return bool(deg_per_point.min() > 0.17 and deg_per_point.max() < 1.5 and np.diff(law_deg).min() > 0.0)


def draw_float(rng: Generator) -> TiltingFloat:
    """A float near 25 degrees in water and 60 to 75 degrees at 1.080."""
    while True:
        water_deg, strong_deg = rng.normal(25.0, 1.5), rng.uniform(60.0, 75.0)
        if rng.random() < 0.7:
            law = _cylinder_law(water_deg, strong_deg, rng.uniform(0.10, 0.20))
        else:
            law = _saturating_law(water_deg, strong_deg, rng.uniform(1.0, 9.0))
        if _is_usable(law):
            break
    return TiltingFloat(density=_RELATIVE_DENSITY, law_deg=law, electronics_deg_per_c=rng.normal(0.0, 0.03))


def draw_references(
    owned: TiltingFloat, float_id: FloatId, rng: Generator, *, is_blundered: bool
) -> tuple[Reference, ...]:
    """Three to seven sugar solutions as an owner would make and write them down; one is a blunder if asked."""
    count = int(rng.choice([3, 4, 5, 6, 7], p=[0.1, 0.2, 0.3, 0.25, 0.15]))
    strongest = rng.uniform(1.078, 1.100)
    nominal: FloatArray = np.linspace(1.0, strongest, count) + np.concatenate(
        [[0.0], rng.normal(0.0, 0.002, count - 1)]
    )
    warmth = np.clip(rng.normal(20.0, 2.0) + rng.normal(0.0, 0.5, count), 15.0, 25.0)
    temperature_c: FloatArray = np.asarray(np.round(warmth, 1), dtype=np.float64)
    angle_sd, gravity_sd = log_uniform(rng, 0.05, 0.4), log_uniform(rng, 0.2e-3, 1.0e-3)
    solution_error = rng.normal(0.0, gravity_sd, count) * (nominal > 1.001)
    if is_blundered:
        solution_error[rng.integers(1, count)] += rng.choice([-1, 1]) * rng.uniform(5e-3, 20e-3)
    true_sg: FloatArray = np.maximum(nominal + solution_error, 1.0)
    relative = sucrose_density(plato(true_sg) / 100.0, temperature_c) / WATER_20_C
    angle_deg = owned.angle_deg(relative, temperature_c) + rng.normal(0.0, angle_sd, count)
    has_sd = rng.random() < 0.7
    return tuple(
        Reference(
            float_id=float_id,
            angle_deg=round(float(angle), 2),
            gravity_sg=round(float(gravity), 4),
            temperature_c=float(degrees),
            angle_sd_deg=round(float(angle_sd), 2) if has_sd else None,
            gravity_sd_sg=round(float(gravity_sd), 5) if has_sd else None,
        )
        for angle, gravity, degrees in zip(angle_deg, nominal, temperature_c, strict=True)
    )
