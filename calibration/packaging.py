"""Carbon dioxide in beer, priming sugar and bottles. Refuses while the beer may still ferment.

Formulas take beer as 1 kg/l. One volume of carbon dioxide is 1.9768 g/l: its density at 0 °C and 101.325 kPa by the
equation of state of Span and Wagner, J. Phys. Chem. Ref. Data 25, 1509, 1996.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from gylewatch.errors import InputError
from gylewatch.units import POINT_SG, celsius_from_fahrenheit

VOLUME_G_PER_L = 1.9768
_ATMOSPHERE_BAR = 1.01325
_ETHANOL_G_PER_ML = 0.78924  # at 20 °C, OIML R 22

COLDEST_C, WARMEST_C = -1.0, 40.0
LEAST_VOLUMES, MOST_VOLUMES = 1.0, 5.0  # wanted; less is flat, more is for no bottle that is sold filled with beer

VOLUMES_PER_POINT = 0.49
# What one unfermented point still gives: 2.6 g/l of apparent extract, 2.1 g/l of real extract, 0.97 g/l of carbon
# dioxide (Balling; reference arithmetic, from memory).

FASTEST_POINTS_PER_DAY = 0.5  # upper end of the 80 % interval: a point in two days
LEAST_STILL, LEAST_ATTENUATED = 0.9, 0.5  # probabilities
OLDEST_ESTIMATE_H = 24.0  # a verdict about bottles must rest on today's beer
SHORTEST_WATCH_DAYS, MOST_FALL_SG = 2.0, 0.0010  # less fall than this over at least so long (common practice)
MOST_ABOVE_END_SG = 0.003  # above the expected end: a reading's and a recipe's error (common practice, no source)
RESIDUAL_SD_VOLUMES, YIELD_SD = 0.05, 0.03
# Of the equilibrium formula with the warmest temperature known to 1 °C, and of what yeast makes of sugar (common
# practice, no source).

CAUTIONS = (
    "A beer that only paused stands still for days as well, ferments on in the bottle and can burst it: be sure that "
    "it has reached its end, not just a rest.",
    "Bottles can burst: they injure hands and eyes. Prime only a beer whose gravity has stood still for days at its "
    "expected end, weigh the sugar, dissolve it evenly, and fill only bottles made for pressure, without "
    "chips or scratches.",
    "While they carbonate, keep the bottles dark, at about the temperature at which the yeast worked, in a closed, "
    "sturdy box or crate: this is when they can burst. In the cold the yeast sleeps, and goes on when they are warm "
    "again. Store them cool and dark afterwards, and never leave them in the sun or a hot car: warmth raises the "
    "pressure.",
    "Open a trial bottle cold, pointed away from people, before you take the others for done. Wear gloves and eye "
    "protection when handling them.",
    "Carbon dioxide gathers in closed rooms and cellars and suffocates without warning: air the room before you enter.",
    "This is general guidance and no guarantee; follow the bottle maker's limit, local codes and licensed practice.",
)


class Sugar(StrEnum):
    SUCROSE = "sucrose"
    GLUCOSE = "glucose-anhydrous"
    GLUCOSE_MONOHYDRATE = "glucose-monohydrate"


class Bottle(StrEnum):
    ORDINARY = "ordinary"
    THICK = "thick"
    SPARKLING = "sparkling"


# g of carbon dioxide and of ethanol per g of sugar, from the equation of fermentation and IUPAC atomic masses.
_YIELDS = {
    Sugar.SUCROSE: (0.5143, 0.5383),
    Sugar.GLUCOSE: (0.4886, 0.5114),
    Sugar.GLUCOSE_MONOHYDRATE: (0.4442, 0.4649),
}

# Volumes that each kind is commonly trusted with; from memory, no guarantee: ISO 7458 tests internal pressure.
BOTTLE_VOLUMES = {Bottle.ORDINARY: 3.0, Bottle.THICK: 3.5, Bottle.SPARKLING: 6.0}
_BOTTLE_WORDS = {
    Bottle.ORDINARY: "ordinary one-trip or long-neck beer bottles",
    Bottle.THICK: "thick refillable bottles",
    Bottle.SPARKLING: "sparkling-wine bottles",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """What is known of a beer's rest: how much may still ferment in the bottle."""

    gravity_sg: float
    lowest_gravity_sg: float  # that it may still reach: the lower end of the forecast's 80 % interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Priming:
    """A plan for carbonation in the bottle."""

    sugar_g: float
    residual_volumes: float  # still dissolved from fermentation
    wanted_volumes: float
    sd_volumes: float  # standard uncertainty of what is reached
    worst_volumes: float  # if all that may still ferment does so in the bottle
    pressures_bar: tuple[tuple[float, float], ...]  # (°C, bar gauge) at the wanted carbonation
    worst_pressures_bar: tuple[tuple[float, float], ...]
    added_abv_percent: float
    cautions: tuple[str, ...]


def equilibrium_co2_g_per_l(temperature_c: float, pressure_bar: float = 0.0) -> float:
    """Carbon dioxide that beer holds in equilibrium with the gas above it.

    Parameters
    ----------
    temperature_c : °C, -1..40
    pressure_bar : gauge, of pure carbon dioxide; 0 for an open fermenter

    Raises
    ------
    InputError
        The temperature is none of beer.

    Source: Rammert and Pesta as in MEBAK, 10 (p + 1.01325) exp(-10.73797 + 2617.25/T) g/kg; from memory. It lies 3 to
    7 % under R. F. Weiss, Marine Chemistry 2, 203-215, 1974, for pure water at 0..20 °C, as beer should.
    """
    if not COLDEST_C <= temperature_c <= WARMEST_C:
        fahrenheit = WARMEST_C < temperature_c <= 104.0
        remedy = f"; if that was °F enter {celsius_from_fahrenheit(temperature_c):.1f}" if fahrenheit else ""
        raise InputError("temperature", f"{temperature_c:g} °C is outside -1 to 40, what beer has{remedy}")
    return 10.0 * (pressure_bar + _ATMOSPHERE_BAR) * _solubility(temperature_c)


def residual_volumes(warmest_c: float) -> float:
    """Volumes of carbon dioxide that are left in a beer without pressure.

    Parameters
    ----------
    warmest_c : °C, the warmest since fermentation ended: gas that left then does not come back in the cold
    """
    return equilibrium_co2_g_per_l(warmest_c) / VOLUME_G_PER_L


def bottle_pressure_bar(volumes: float, temperature_c: float) -> float:
    """Gauge pressure in a bottle, bar, without air and headspace: a little too high, on the safe side.

    Source: `equilibrium_co2_g_per_l` solved for the pressure.
    """
    return volumes * VOLUME_G_PER_L / (10.0 * _solubility(temperature_c)) - _ATMOSPHERE_BAR


def sugar_g(volume_l: float, volumes_to_add: float, sugar: Sugar) -> float:
    """Grams of sugar that ferment to so many volumes in so many litres.

    Source: stoichiometry of fermentation (each kind's yield is the upper limit, without growth of yeast).
    """
    return volume_l * volumes_to_add * VOLUME_G_PER_L / _YIELDS[sugar][0]


def rest_by_estimate(
    *,
    gravity_sg: float,
    earlier_gravity_sg: float | None,
    rate_high_points_per_day: float,
    probability_still: float,
    probability_attenuated: float,
    final_gravity_low_sg: float | None,
    age_h: float,
) -> Rest:
    """The rest of a beer by the newest estimate of its float, or the reason why there is none.

    Parameters
    ----------
    gravity_sg : now
    earlier_gravity_sg : as it was believed `SHORTEST_WATCH_DAYS` before; None: it was not watched then
    rate_high_points_per_day : upper end of the rate's 80 % interval
    probability_still : that the gravity stands still
    probability_attenuated : that the attenuation reached is what the yeast is expected to reach
    final_gravity_low_sg : lower end of the final gravity's 80 % interval; None: no forecast
    age_h : hours since the estimate

    Raises
    ------
    InputError
        The gravity still falls, may still fall, or is not known well enough today.
    """
    if age_h > OLDEST_ESTIMATE_H:
        raise InputError(
            "no priming plan",
            f"the newest estimate is {age_h:.0f} hours old; wake the float, or measure by hand on two days",
        )
    if rate_high_points_per_day > FASTEST_POINTS_PER_DAY or probability_still < LEAST_STILL:
        raise InputError(
            "no priming plan",
            f"the gravity still falls, or may: up to {max(rate_high_points_per_day, 0.0):.1f} points a day, and it "
            f"stands still with a probability of only {probability_still:.0%}; wait until it has stood still for days",
        )
    if earlier_gravity_sg is None:
        raise InputError(
            "no priming plan",
            f"the beer has been watched for less than {SHORTEST_WATCH_DAYS:g} days; wait until it has rested so long",
        )
    if earlier_gravity_sg - gravity_sg >= MOST_FALL_SG:
        raise InputError(
            "no priming plan",
            f"the gravity fell by {(earlier_gravity_sg - gravity_sg) / POINT_SG:.1f} points in the last "
            f"{SHORTEST_WATCH_DAYS:g} days; wait until it has rested so long",
        )
    if probability_attenuated < LEAST_ATTENUATED:
        raise InputError(
            "no priming plan",
            f"the gravity stands still at {gravity_sg:.4f}, above where the yeast should end; a stuck beer goes on "
            "in the bottle and bursts it: rouse and warm it, or make a forced fermentation test, first",
        )
    lowest = gravity_sg if final_gravity_low_sg is None else min(final_gravity_low_sg, gravity_sg)
    return Rest(gravity_sg=gravity_sg, lowest_gravity_sg=lowest)


def rest_by_hand(*, earlier_sg: float, later_sg: float, days_between: float, expected_final_sg: float) -> Rest:
    """The rest of a beer by two hand samples, or the reason why there is none.

    Parameters
    ----------
    expected_final_sg : the lowest final gravity that recipe and yeast may reach; without it a beer that only paused
        cannot be told from a finished one

    Raises
    ------
    InputError
        The samples lie too near each other in time, the gravity fell, it rose, or it stands above its expected end.
    """
    if days_between < SHORTEST_WATCH_DAYS:
        days = "1 day" if days_between == 1.0 else f"{days_between:g} days"
        raise InputError(
            "no priming plan", f"two samples {days} apart prove no rest; wait at least {SHORTEST_WATCH_DAYS:g}"
        )
    fall = earlier_sg - later_sg
    if fall >= MOST_FALL_SG - 1e-7:  # 1.011 - 1.010 is a little less than a point in binary
        raise InputError(
            "no priming plan",
            f"the gravity fell by {fall / POINT_SG:.1f} points in {days_between:g} days; wait until it stands still",
        )
    if fall < -2.0 * MOST_FALL_SG:
        raise InputError(
            "no priming plan",
            f"the gravity rose by {-fall / POINT_SG:.1f} points, which no beer does by itself; measure again",
        )
    if later_sg - expected_final_sg > MOST_ABOVE_END_SG + 1e-7:
        raise InputError(
            "no priming plan",
            f"the gravity stands at {later_sg:.4f}, {(later_sg - expected_final_sg) / POINT_SG:.1f} points above its "
            f"expected end of {expected_final_sg:.4f}; A BEER THAT ONLY PAUSED GOES ON IN THE BOTTLE AND BURSTS IT: "
            "rouse and warm it, or make a forced fermentation test, first",
        )
    return Rest(gravity_sg=later_sg, lowest_gravity_sg=min(later_sg - MOST_FALL_SG, expected_final_sg))


def priming(
    *, volume_l: float, wanted_volumes: float, warmest_c: float, sugar: Sugar, bottle: Bottle, rest: Rest
) -> Priming:
    """Sugar for the wanted carbonation, and the pressure that follows.

    Parameters
    ----------
    volume_l : of beer that is bottled
    wanted_volumes : volumes of carbon dioxide, 1..5
    warmest_c : °C, the warmest since fermentation ended
    rest : from `rest_by_estimate` or `rest_by_hand`: there is no plan without it

    Raises
    ------
    InputError
        The bottle is not made for it, also if the beer should ferment on; or the beer holds more gas already.
    """
    if not (math.isfinite(volume_l) and 0.0 < volume_l <= 1e5):
        raise InputError("no priming plan", f"{volume_l:g} l is no volume of beer; state litres")
    if not LEAST_VOLUMES <= wanted_volumes <= MOST_VOLUMES:
        likely = f"; if that was g/l enter {wanted_volumes / VOLUME_G_PER_L:.1f}" if wanted_volumes <= 10.0 else ""
        raise InputError("no priming plan", f"{wanted_volumes:g} volumes are outside 1 to 5{likely}")
    residual = residual_volumes(warmest_c)
    added = wanted_volumes - residual
    if added < 0.0:
        raise InputError(
            "no priming plan",
            f"the beer holds {residual:.2f} volumes already, more than the {wanted_volumes:g} wanted; add no sugar",
        )
    further = VOLUMES_PER_POINT * (rest.gravity_sg - rest.lowest_gravity_sg) / POINT_SG
    worst = wanted_volumes + further
    limit = BOTTLE_VOLUMES[bottle]
    if worst > limit:
        rest_of = f", {worst:.1f} if it ferments down to {rest.lowest_gravity_sg:.4f}" if further > 0.05 else ""
        raise InputError(
            "no priming plan",
            f"{wanted_volumes:g} volumes{rest_of} are more than {_BOTTLE_WORDS[bottle]} are trusted with ({limit:g}); "
            "choose less carbonation or bottles made for it",
        )
    grams = sugar_g(volume_l, added, sugar)
    return Priming(
        sugar_g=grams,
        residual_volumes=residual,
        wanted_volumes=wanted_volumes,
        sd_volumes=math.hypot(RESIDUAL_SD_VOLUMES, YIELD_SD * added),
        worst_volumes=worst,
        pressures_bar=_pressures(wanted_volumes),
        worst_pressures_bar=_pressures(worst),
        added_abv_percent=100.0 * grams * _YIELDS[sugar][1] / _ETHANOL_G_PER_ML / (1000.0 * volume_l),
        cautions=CAUTIONS,
    )


def _pressures(volumes: float) -> tuple[tuple[float, float], ...]:
    return tuple((t, bottle_pressure_bar(volumes, t)) for t in (5.0, 20.0, 30.0, 40.0))


def _solubility(temperature_c: float) -> float:
    return math.exp(-10.73797 + 2617.25 / (temperature_c + 273.15))
