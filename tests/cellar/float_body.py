"""One float: its own curve from gravity to angle, and the solutions it was calibrated in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.cellar.beer import FloatArray, felt_gravity
from tests.cellar.recipe import Recipe


@dataclass(frozen=True, slots=True, kw_only=True)
class FloatBody:
    """Angle in degrees from vertical over the gravity it feels."""

    water_deg: float  # in water at 20 °C
    strong_deg: float  # at SG 1.100
    bend: float
    wave: float
    warmth_deg_c: float  # degrees of angle for each °C above 20
    name: str

    def angle_deg(self, gravity_sg: FloatArray | float, temperature_c: FloatArray | float) -> FloatArray:
        """The angle at rest in a liquid of SG 20/20 `gravity_sg` at `temperature_c`."""
        x = (felt_gravity(gravity_sg, temperature_c) - 1.0) / 0.1
        bent = (1.0 + self.bend) * x - self.bend * x**2 + self.wave * x * (1.0 - x) * (0.5 - x)
        warmth = self.warmth_deg_c * (np.asarray(temperature_c) - 20.0)
        return np.asarray(self.water_deg + (self.strong_deg - self.water_deg) * bent + warmth)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceRow:
    """One solution as the brewer wrote it down."""

    angle_deg: float
    angle_sd_deg: float | None
    gravity_sg: float
    gravity_sd_sg: float | None
    temperature_c: float


NAMES = ("curlew", "dunlin", "avocet", "plover", "sanderling", "teal", "whimbrel", "godwit")


def draw_float(rng: np.random.Generator) -> FloatBody:
    """Draw a float."""
    return FloatBody(
        water_deg=float(rng.uniform(20.0, 30.0)),
        strong_deg=float(rng.uniform(52.0, 70.0)),
        bend=float(rng.uniform(0.0, 0.35)),
        wave=float(rng.uniform(-0.25, 0.25)),
        warmth_deg_c=float(rng.normal(0.02, 0.01)),
        name=str(rng.choice(NAMES)),
    )


def calibrate(body: FloatBody, recipe: Recipe, rng: np.random.Generator) -> tuple[ReferenceRow, ...]:
    """Draw the solutions, from water to a little above the wort, with their errors; now and then one is blundered."""
    count = int(rng.integers(4, 9))
    top = max(0.05, recipe.original_sg - 1.0) + float(rng.uniform(0.0, 0.015))
    true_sg = 1.0 + np.linspace(0.0, top, count) + np.r_[0.0, rng.normal(0.0, 0.0015, count - 1)]
    warmth = float(rng.uniform(18.0, 24.0)) + rng.normal(0.0, 0.5, count)
    angle_sd, gravity_sd = float(rng.uniform(0.10, 0.30)), float(rng.uniform(0.25, 0.5)) / 1000.0
    angle = body.angle_deg(true_sg, warmth) + rng.normal(0.0, 0.10) + rng.normal(0.0, angle_sd, count)
    written = true_sg + rng.normal(0.0, 0.00025) + rng.normal(0.0, gravity_sd, count)
    written[0] = 1.0 if rng.random() < 0.7 else written[0]
    if rng.random() < 0.08:
        wrong = int(rng.integers(0, count))
        if rng.random() < 0.5:
            angle[wrong] += float(rng.choice([-1.0, 1.0]) * rng.uniform(2.0, 6.0))
        else:
            written[wrong] += float(rng.choice([-1.0, 1.0]) * rng.uniform(4.0, 10.0)) / 1000.0
    stated = rng.random(2) < 0.6
    return tuple(
        ReferenceRow(
            angle_deg=float(angle[i]),
            angle_sd_deg=angle_sd if stated[0] else None,
            gravity_sg=float(written[i]),
            gravity_sd_sg=gravity_sd if stated[1] else None,
            temperature_c=float(warmth[i]),
        )
        for i in range(count)
    )
