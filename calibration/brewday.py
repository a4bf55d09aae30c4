"""The brew day as a balance of mass: water leaves the kettle, extract stays. Volumes are only measured, never added.

Extract is taken as sucrose of equal density, as every extract table does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from calibration.density import sucrose_density, water_density_kell
from calibration.expansion import WATER_20_C
from calibration.hydrometry import REFRACTOMETER_SD_BRIX, WORT_FACTOR_SD
from calibration.refractometer import temperature_correction_brix, wort_gravity_sg
from calibration.solution import sucrose_fraction
from gylewatch.errors import InputError, OutOfDomain
from gylewatch.units import POINT_SG, celsius_from_fahrenheit, plato_from_sg
from gylewatch.values import WORT_CORRECTION_FACTOR

GREATEST_WORT_SG = 1.180  # above it a kettle holds syrup; the sucrose table still covers it
LEAST_WORT_SG = 1.0005  # below it there is no extract to balance
_TABLE_HOTTEST_C, BOILING_C = 80.0, 100.0

VOLUME_SD = 0.02  # relative, of a kettle read on its marks or with a stick (common practice, no source)
GRAVITY_SD_SG = 0.0010
DOUBT_SIGMA = 2.0  # a balance that is off by more should be looked into

HOT_CAUTION = (
    "Hot wort scalds and a glass hydrometer in it may break: draw a few drops with a heatproof spoon, let them cool, "
    "wear gloves and eye protection, and keep children and animals away from the kettle."
)
OPEN_CAUTION = (
    "Boil with the lid at least half off and the room aired: a covered kettle boils over, and gas burners need fresh "
    "air; use burners outdoors where their maker says so, and follow local codes."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningGravity:
    """The gravity of wort in the mash or the boil, from a few cooled drops."""

    gravity_sg: float  # SG 20/20 °C
    extract_plato: float
    sd_sg: float
    at_temperature_sg: float  # density of the wort as hot as it is, over water at 20 °C: what anything floating feels


@dataclass(frozen=True, slots=True, kw_only=True)
class Wort:
    """An amount of wort; see `wort`."""

    gravity_sg: float  # SG 20/20 °C
    volume_l: float  # at `temperature_c`
    temperature_c: float
    mass_kg: float
    extract_kg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Water that goes, or comes, and the wort afterwards."""

    water_kg: float  # litres at 20 °C are 0.2 % more
    after: Wort


@dataclass(frozen=True, slots=True, kw_only=True)
class Closure:
    """Two measurements of one brew held against each other."""

    extract_change_kg: float  # after minus before minus what was added; 0 in a perfect balance
    extract_sd_kg: float
    water_lost_kg: float
    agrees: bool
    verdict: str  # one sentence


def wort_density(extract: float, temperature_c: float) -> float:
    """Density of wort, kg/m³.

    Parameters
    ----------
    extract : mass fraction, 0..0.4
    temperature_c : °C, 0..100

    Source: ICUMSA SPS-4 up to 80 °C; above, it expands on like water (Kell), within 0.1 % (common practice, no source).
    """
    if temperature_c <= _TABLE_HOTTEST_C:
        return sucrose_density(extract, temperature_c)
    ratio = water_density_kell(temperature_c) / water_density_kell(_TABLE_HOTTEST_C)
    return sucrose_density(extract, _TABLE_HOTTEST_C) * ratio


def running_gravity(
    reading_brix: float,
    wort_temperature_c: float,
    *,
    prism_temperature_c: float = 20.0,
    compensates: bool = True,
    wort_correction_factor: float = WORT_CORRECTION_FACTOR,
) -> RunningGravity:
    """Gravity of unfermented wort in mash or boil from a refractometer.

    Parameters
    ----------
    reading_brix : Brix as read, 0..40
    wort_temperature_c : °C of the mash or the boil, 0..100
    prism_temperature_c : °C of the drops on the prism; matters only to an instrument that does not compensate
    compensates : the instrument compensates for temperature by itself
    wort_correction_factor : of this instrument for wort

    Raises
    ------
    InputError
        The reading is no Brix of a wort, or a temperature is none of wort; the text says what it most likely is.

    Source: `refractometer.wort_gravity_sg`; temperature table OIV-MA-AS2-02; hot density by `wort_density`.
    """
    if 0.98 <= reading_brix <= GREATEST_WORT_SG:
        raise InputError("refractometer", f"{reading_brix:g} Brix looks like SG; enter the reading in Brix")
    if not 0.0 <= reading_brix <= 40.0:
        raise InputError("refractometer", f"{reading_brix:g} Brix is outside 0 to 40, what a wort can show")
    check_wort_temperature(wort_temperature_c)
    brix = reading_brix
    if not compensates:
        try:
            brix += temperature_correction_brix(reading_brix, prism_temperature_c)
        except OutOfDomain as error:
            raise InputError("refractometer", f"{error}; let the drops reach room temperature") from error
    gravity = wort_gravity_sg(brix, wort_correction_factor=wort_correction_factor)
    per_brix = (wort_gravity_sg(brix + 0.1, wort_correction_factor=wort_correction_factor) - gravity) / 0.1
    sd_brix = math.hypot(REFRACTOMETER_SD_BRIX, brix * WORT_FACTOR_SD / wort_correction_factor)
    return RunningGravity(
        gravity_sg=gravity,
        extract_plato=plato_from_sg(gravity),
        sd_sg=per_brix * sd_brix,
        at_temperature_sg=wort_density(max(sucrose_fraction(gravity), 0.0), wort_temperature_c) / WATER_20_C,
    )


def wort(gravity_sg: float, volume_l: float, temperature_c: float = 20.0) -> Wort:
    """Mass and extract of a volume of wort.

    Parameters
    ----------
    gravity_sg : SG 20/20 °C, 1.0005..1.180
    volume_l : litres as measured at `temperature_c`
    temperature_c : °C of the wort when its volume was read, 0..100; a boiling kettle holds 4 % less at 20 °C

    Raises
    ------
    InputError
        A value is none of wort; the text says what it most likely is.

    Source: mass = volume times density, extract by mass fraction; densities of ICUMSA SPS-4.
    """
    if not LEAST_WORT_SG <= gravity_sg <= GREATEST_WORT_SG:
        raise InputError(
            "gravity",
            f"{gravity_sg:g} is no wort; enter SG between {LEAST_WORT_SG:g} and {GREATEST_WORT_SG:g}, not Brix, °P or "
            "points",
        )
    if not (math.isfinite(volume_l) and volume_l > 0.0):
        raise InputError("volume", f"{volume_l:g} l is no volume; state litres above zero")
    check_wort_temperature(temperature_c)
    extract = sucrose_fraction(gravity_sg)
    mass = volume_l * wort_density(extract, temperature_c) / 1000.0
    return Wort(
        gravity_sg=gravity_sg,
        volume_l=volume_l,
        temperature_c=temperature_c,
        mass_kg=mass,
        extract_kg=extract * mass,
    )


def boil_off(before: Wort, target_gravity_sg: float, *, end_temperature_c: float = 20.0) -> Change:
    """Water that must boil away until the wort has the target gravity.

    Parameters
    ----------
    before : the kettle now
    target_gravity_sg : SG 20/20 °C, above that of `before`
    end_temperature_c : °C at which the volume afterwards is stated

    Raises
    ------
    InputError
        The wort is at or above the target already, or the target is no wort.

    Source: the extract stays, m_after = m_extract / w_target.
    """
    if target_gravity_sg <= before.gravity_sg:
        raise InputError(
            "target gravity",
            f"{target_gravity_sg:.4f} is not above the {before.gravity_sg:.4f} that the wort has; boiling only raises "
            "it: dilute instead",
        )
    after = _with_extract(before.extract_kg, target_gravity_sg, end_temperature_c)
    return Change(water_kg=before.mass_kg - after.mass_kg, after=after)


def dilution(before: Wort, target_gravity_sg: float, *, end_temperature_c: float = 20.0) -> Change:
    """Water to add until the wort has the target gravity. Arguments, errors and source as in `boil_off`."""
    if target_gravity_sg >= before.gravity_sg:
        raise InputError(
            "target gravity",
            f"{target_gravity_sg:.4f} is not below the {before.gravity_sg:.4f} that the wort has; water only lowers "
            "it: boil longer instead",
        )
    after = _with_extract(before.extract_kg, target_gravity_sg, end_temperature_c)
    return Change(water_kg=after.mass_kg - before.mass_kg, after=after)


def after_boil(before: Wort, water_kg: float, *, sugar_kg: float = 0.0, end_temperature_c: float = 20.0) -> Wort:
    """The wort that is left when this much water has boiled away and this much dry sugar was added.

    Parameters
    ----------
    before : the kettle before the boil
    water_kg : boiled away, at least 0 and less than the kettle holds
    sugar_kg : dry sugar added, at least 0
    end_temperature_c : °C at which the volume afterwards is stated

    Raises
    ------
    InputError
        More water would go than there is, or the wort would be too strong for the table.

    Source: mass balance of water and extract.
    """
    if water_kg < 0.0 or sugar_kg < 0.0:
        raise InputError("boil", "water that boils away and sugar that is added cannot be negative")
    mass = before.mass_kg - water_kg + sugar_kg
    extract = before.extract_kg + sugar_kg
    if mass <= extract or extract / mass > sucrose_fraction(GREATEST_WORT_SG):
        raise InputError(
            "boil",
            f"{water_kg:.1f} kg of water cannot boil away from {before.mass_kg:.1f} kg of wort: what is left would be "
            f"stronger than {GREATEST_WORT_SG:.3f}; check the rate and the time",
        )
    check_wort_temperature(end_temperature_c)
    w = extract / mass
    return Wort(
        gravity_sg=sucrose_density(w, 20.0) / WATER_20_C,
        volume_l=1000.0 * mass / wort_density(w, end_temperature_c),
        temperature_c=end_temperature_c,
        mass_kg=mass,
        extract_kg=extract,
    )


def closure(
    before: Wort,
    after: Wort,
    *,
    sugar_kg: float = 0.0,
    gravity_sd_sg: float = GRAVITY_SD_SG,
    volume_sd: float = VOLUME_SD,
) -> Closure:
    """Hold the kettle before the boil against the kettle after it: extract can neither come nor go.

    Parameters
    ----------
    before, after : each by its own measured gravity, volume and temperature, before any wort is left behind
    sugar_kg : dry sugar added in between
    gravity_sd_sg : of each gravity
    volume_sd : of each volume, relative

    Source: mass balance; the uncertainties added as independent.
    """
    change = after.extract_kg - before.extract_kg - sugar_kg
    sd = math.hypot(*(_extract_sd(one, gravity_sd_sg, volume_sd) for one in (before, after)))
    agrees = abs(change) <= DOUBT_SIGMA * sd
    share = abs(change) / before.extract_kg
    if agrees:
        verdict = f"the extract agrees within {share:.1%}, less than the measurements' uncertainty explains"
    elif change > 0:
        verdict = (
            f"{change:.2f} kg of extract came from nowhere ({share:.0%}): a volume was read too low before or too high "
            "after, its temperature is wrong, or the first gravity was of wort that was not mixed"
        )
    else:
        verdict = (
            f"{-change:.2f} kg of extract are missing ({share:.0%}): wort was left behind before it was measured, or a "
            "volume, its temperature or a gravity is wrong"
        )
    return Closure(
        extract_change_kg=change,
        extract_sd_kg=sd,
        water_lost_kg=(before.mass_kg - before.extract_kg) - (after.mass_kg - after.extract_kg),
        agrees=agrees,
        verdict=verdict,
    )


def check_wort_temperature(temperature_c: float) -> None:
    """Raise `InputError` unless water is liquid at this temperature; the text offers what was meant in °F."""
    if 0.0 <= temperature_c <= BOILING_C + 1.0:
        return
    fahrenheit = 32.0 <= temperature_c <= 220.0
    remedy = f"; if that was °F enter {celsius_from_fahrenheit(temperature_c):.1f}" if fahrenheit else ""
    raise InputError("temperature", f"{temperature_c:g} °C is no temperature of wort, 0 to 100{remedy}")


def _with_extract(extract_kg: float, gravity_sg: float, temperature_c: float) -> Wort:
    volume_l = extract_kg / wort(gravity_sg, 1.0, temperature_c).extract_kg
    return wort(gravity_sg, volume_l, temperature_c)


def _extract_sd(one: Wort, gravity_sd_sg: float, volume_sd: float) -> float:
    points = (one.gravity_sg - 1.0) / POINT_SG
    return one.extract_kg * math.hypot(gravity_sd_sg / POINT_SG / points, volume_sd)
