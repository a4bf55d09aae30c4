"""Reference solutions of sucrose by mass balance: weigh both, measure no volume."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.density import sucrose_density
from calibration.expansion import WATER_20_C
from gylewatch.errors import InputError
from gylewatch.units import POINT_SG

COLDEST_C, HOTTEST_C = 0.0, 80.0  # ICUMSA SPS-4
GREATEST_GRAVITY_SG = 1.170  # 38 % by mass: above any wort, and sucrose of a kitchen still dissolves at 20 °C
SUGAR_MOISTURE = 0.0006  # mass fraction of water in white sugar; Codex Stan 212-1999 allows 0.1 % loss on drying
SUGAR_MOISTURE_SD = 0.0003

CAUTION = (
    "Sugar dissolves faster in warm water: keep it below 50 °C so that nothing scalds, use a vessel that stands heat, "
    "and let it cool to the temperature stated before the float goes in. Stir until no grain is left."
)

_NEWTON_STEPS = 5  # from w = 2.6 (SG - 1), within 0.02; each squares the error


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """What to weigh for one reference solution."""

    gravity_sg: float  # wanted, SG 20/20 °C
    sucrose_g: float  # white sugar, rounded to the balance
    water_g: float
    volume_ml: float  # of the solution at `temperature_c`
    temperature_c: float
    mass_percent: float  # sucrose in the solution
    made_gravity_sg: float  # SG 20/20 °C of the rounded masses: use this as the reference's gravity
    made_at_temperature_sg: float  # its density at `temperature_c` over water at 20 °C: what a float feels
    sd_points: float  # standard uncertainty of made_gravity_sg


def sucrose_fraction(gravity_sg: float) -> float:
    """Mass fraction of sucrose in the solution of this SG 20/20 °C: `sucrose_density` at 20 °C, inverted.

    Parameters
    ----------
    gravity_sg : 0.99..1.20
    """
    w = 2.6 * (gravity_sg - 1.0)
    for _ in range(_NEWTON_STEPS):
        slope = (sucrose_density(w + 1e-6, 20.0) - sucrose_density(w - 1e-6, 20.0)) / 2e-6
        w -= (sucrose_density(w, 20.0) - gravity_sg * WATER_20_C) / slope
    return w


def recipe(
    gravity_sg: float, volume_ml: float, *, temperature_c: float = 20.0, balance_resolution_g: float = 1.0
) -> Recipe:
    """Grams of sucrose and of water for a solution of this gravity.

    Parameters
    ----------
    gravity_sg : SG 20/20 °C wanted, 1.000..1.170
    volume_ml : of the solution at `temperature_c`
    temperature_c : °C at which it is mixed and measured, 0..80
    balance_resolution_g : smallest step of the balance; both masses are rounded to it

    Raises
    ------
    InputError
        A mass would be negative, the solution is hotter than the table, or the balance is too coarse for it.

    Notes
    -----
    `sd_points` covers the balance (one rounding for the tare and one for the reading of each mass, uniform) and the
    sugar's moisture. Air buoyancy shifts it by less than 0.05 points and is left out.

    Source: mass balance; densities of ICUMSA SPS-4.
    """
    _refuse(gravity_sg, volume_ml, temperature_c, balance_resolution_g)
    w = max(sucrose_fraction(gravity_sg), 0.0)
    mass_g = volume_ml * sucrose_density(w, temperature_c) / 1000.0
    sugar_g = _rounded(w * mass_g / (1.0 - SUGAR_MOISTURE), balance_resolution_g)
    water_g = _rounded(mass_g - w * mass_g / (1.0 - SUGAR_MOISTURE), balance_resolution_g)
    made = sugar_g * (1.0 - SUGAR_MOISTURE) / (sugar_g + water_g)
    made_density = sucrose_density(made, 20.0)
    per_fraction = (sucrose_density(made + 1e-6, 20.0) - made_density) / 1e-6 / WATER_20_C / POINT_SG
    weighing_g = balance_resolution_g * math.sqrt(2.0 / 12.0)
    total_g = sugar_g + water_g
    fraction_sd = math.hypot(water_g * weighing_g / total_g**2, sugar_g * weighing_g / total_g**2)
    if sugar_g == 0.0:
        fraction_sd = 0.0  # plain water is weighed by nobody
    return Recipe(
        gravity_sg=gravity_sg,
        sucrose_g=sugar_g,
        water_g=water_g,
        volume_ml=volume_ml,
        temperature_c=temperature_c,
        mass_percent=100.0 * made,
        made_gravity_sg=made_density / WATER_20_C,
        made_at_temperature_sg=sucrose_density(made, temperature_c) / WATER_20_C,
        sd_points=per_fraction * math.hypot(fraction_sd, made * SUGAR_MOISTURE_SD),
    )


def recipes(
    gravities_sg: Sequence[float], volume_ml: float, *, temperature_c: float = 20.0, balance_resolution_g: float = 1.0
) -> tuple[Recipe, ...]:
    """A whole set, in the order given. Arguments and errors as in `recipe`."""
    return tuple(
        recipe(gravity, volume_ml, temperature_c=temperature_c, balance_resolution_g=balance_resolution_g)
        for gravity in gravities_sg
    )


def _refuse(gravity_sg: float, volume_ml: float, temperature_c: float, balance_resolution_g: float) -> None:
    place = f"solution of {gravity_sg:g}"
    if not all(math.isfinite(value) for value in (gravity_sg, volume_ml, temperature_c, balance_resolution_g)):
        raise InputError(place, "gravity, volume, temperature and resolution must be numbers")
    if gravity_sg < 1.0:
        raise InputError(place, "lighter than water would need a negative mass of sugar; choose 1.000 or more")
    if gravity_sg > GREATEST_GRAVITY_SG:
        likely = f"; if that was points enter {1 + gravity_sg / 1000:.3f}" if 1.5 < gravity_sg <= 170.0 else ""
        raise InputError(place, f"above {GREATEST_GRAVITY_SG:.3f} the sugar does not dissolve cold{likely}")
    if volume_ml <= 0.0:
        raise InputError(place, f"a volume of {volume_ml:g} ml would need a negative or no mass; state millilitres")
    if temperature_c > HOTTEST_C:
        raise InputError(
            place,
            f"{temperature_c:g} °C is hotter than the density table, which ends at {HOTTEST_C:g} °C; let it cool, or "
            "enter °C if that was °F",
        )
    if temperature_c < COLDEST_C:
        raise InputError(place, f"{temperature_c:g} °C is colder than the density table, which begins at 0 °C")
    if not 0.0 < balance_resolution_g <= 0.02 * volume_ml:
        raise InputError(
            place,
            f"a balance that shows steps of {balance_resolution_g:g} g cannot weigh {volume_ml:g} ml of solution; "
            "use a finer one or make more",
        )


def _rounded(mass_g: float, resolution_g: float) -> float:
    return round(mass_g / resolution_g) * resolution_g
