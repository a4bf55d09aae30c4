"""What the brewer measures by hand: the original gravity, and samples of the fermenting beer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.cellar.beer import WATER_20_G_CM3, plato, refractometer_brix, water_density
from tests.cellar.brewing import Course
from tests.cellar.recipe import Recipe


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleRow:
    """One row of samples.csv, hours since pitching."""

    time_h: float
    instrument: str
    value: float
    unit: str
    temperature_c: float


def draw_times(course: Course, rng: np.random.Generator) -> tuple[float, ...]:
    """When samples are drawn: none to five, rather late than early, by day or by night."""
    count = int(rng.choice(6, p=[0.3, 0.22, 0.2, 0.13, 0.09, 0.06]))
    return tuple(sorted(float(course.time_h[-1]) * float(rng.beta(1.6, 1.1)) for _ in range(count)))


def original_gravity(recipe: Recipe, rng: np.random.Generator) -> float | None:
    """SG as written down at pitching: mostly about a point off, now and then misread, or not measured at all."""
    if rng.random() < 0.12:
        return None
    error = float(np.clip(rng.normal(0.0, 0.9), -2.7, 2.7))
    if rng.random() < 0.05:
        error = float(rng.choice([-1.0, 1.0]) * rng.uniform(5.0, 12.0))
    return round(recipe.original_sg + error / 1000.0, 4)


def _hydrometer(true_sg: float, warmth_c: float, offset_sg: float, rng: np.random.Generator) -> tuple[float, str]:
    read = (true_sg + offset_sg + float(rng.normal(0.0, 0.0006))) * float(water_density(warmth_c)) / WATER_20_G_CM3
    return round(2000.0 * read) / 2000.0, "SG"


def _density_meter(true_sg: float, unit: str, rng: np.random.Generator) -> tuple[float, str]:
    measured = true_sg + float(rng.normal(0.0, 0.00025))
    if unit == "SG":
        return round(measured, 4), unit
    return (round(plato(measured), 2), unit) if unit == "Plato" else (round(measured * WATER_20_G_CM3, 4), unit)


def draw_samples(
    recipe: Recipe, course: Course, times_h: tuple[float, ...], rng: np.random.Generator
) -> tuple[SampleRow, ...]:
    """Measure at the given hours, all with one instrument; a few readings are blunders."""
    instrument = str(rng.choice(["hydrometer", "refractometer", "density-meter"], p=[0.55, 0.28, 0.17]))
    offset = float(rng.normal(0.0, 0.0005))  # paper scale of the hydrometer
    factor = float(rng.normal(1.0, 0.012))  # this wort's own refraction
    unit = str(rng.choice(["SG", "Plato", "g/cm3"]))
    rows = []
    for time_h in times_h:
        true_sg = recipe.original_sg - float(np.interp(time_h, course.time_h, course.fallen_points)) / 1000.0
        beer_c = float(np.interp(time_h, course.time_h, course.temperature_c))
        warmth = float(np.clip(beer_c + 0.5 * (20.0 - beer_c) + rng.normal(0.0, 1.5), 1.0, 40.0))
        if rng.random() < 0.04:
            true_sg += float(rng.choice([-1.0, 1.0]) * rng.uniform(4.0, 12.0)) / 1000.0
        if instrument == "hydrometer":
            value, shown = _hydrometer(true_sg, warmth, offset, rng)
        elif instrument == "density-meter":
            warmth = 20.0  # it brings the sample there itself
            value, shown = _density_meter(true_sg, unit, rng)
        else:
            brix = factor * refractometer_brix(recipe.original_sg, true_sg) + float(rng.normal(0.0, 0.12))
            value, shown = round(brix, 1), "Brix"
        rows.append(
            SampleRow(time_h=time_h, instrument=instrument, value=value, unit=shown, temperature_c=round(warmth, 1))
        )
    return tuple(rows)
