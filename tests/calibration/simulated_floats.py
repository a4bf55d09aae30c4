"""Floats whose true angle law is known: drawn from trigonometric, rational and power laws, never from our prior."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.expansion import wort_expansion_ratio
from gylewatch.units import FloatArray
from gylewatch.values import FloatId, Reference

SHAPES: tuple[Callable[[FloatArray, float], FloatArray], ...] = (
    lambda a, k: a,
    lambda a, k: np.sin(np.radians(a)),
    lambda a, k: -np.cos(np.radians(a)),
    lambda a, k: np.tan(np.radians(a * (0.5 + 0.35 * k))),
    lambda a, k: -1.0 / np.tan(np.radians(a + 20.0)),
    lambda a, k: (a / 45.0) ** (0.6 + 1.2 * k),
    lambda a, k: 1.0 / (2.2 - np.sin(np.radians(a)) * (0.3 + k)),
    lambda a, k: 1.0 / (1.0 + np.exp(-(a - 45.0) / (18.0 + 20.0 * k))),
)


@dataclass(frozen=True, kw_only=True)
class SimulatedFloat:
    shape: int
    bend: float
    angle_deg: tuple[float, float]  # in water, and in the densest solution
    gravity_sg: tuple[float, float]  # there

    def gravity_at(self, angle_deg: FloatArray) -> FloatArray:
        law = SHAPES[self.shape]
        low, high = (float(law(np.array([a]), self.bend)[0]) for a in self.angle_deg)
        share = (law(np.asarray(angle_deg), self.bend) - low) / (high - low)
        return self.gravity_sg[0] + (self.gravity_sg[1] - self.gravity_sg[0]) * share

    def angle_at(self, gravity_sg: float) -> float:
        grid = np.linspace(self.angle_deg[0] - 12.0, self.angle_deg[1] + 12.0, 2001)
        return float(np.interp(gravity_sg, self.gravity_at(grid), grid))


def draw_float(rng: np.random.Generator) -> SimulatedFloat:
    return SimulatedFloat(
        shape=int(rng.integers(len(SHAPES))),
        bend=float(rng.uniform()),
        angle_deg=(float(rng.uniform(20.0, 30.0)), float(rng.uniform(50.0, 72.0))),
        gravity_sg=(1.0, float(rng.uniform(1.06, 1.12))),
    )


def measure(
    tilt: SimulatedFloat,
    count: int,
    rng: np.random.Generator,
    *,
    angle_sd_deg: float = 0.2,
    gravity_sd_sg: float = 0.0007,
    stated: bool = True,
    temperature_c: float = 20.0,
) -> list[Reference]:
    """References in evenly spread solutions, weighed and read with errors of the given size."""
    low, high = tilt.gravity_sg
    references = []
    for gravity in np.linspace(low, high, count) + rng.uniform(-0.002, 0.002, count):
        at_temperature = gravity * wort_expansion_ratio(float(gravity), temperature_c)
        references.append(
            Reference(
                float_id=FloatId("heron"),
                angle_deg=tilt.angle_at(float(at_temperature)) + float(rng.normal(0.0, angle_sd_deg)),
                gravity_sg=float(gravity + rng.normal(0.0, gravity_sd_sg)),
                temperature_c=temperature_c,
                angle_sd_deg=angle_sd_deg if stated else None,
                gravity_sd_sg=gravity_sd_sg if stated else None,
            )
        )
    return references
