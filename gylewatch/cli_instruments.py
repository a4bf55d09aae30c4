"""``gylewatch solution``, ``correct`` and ``strength``: what needs no database."""

from __future__ import annotations

from dataclasses import asdict

import click

from calibration.hydrometry import DEGAS_REMINDER, HandGravity, hand_gravity
from calibration.refractometer import (
    Refraction,
    fermented_gravity,
    temperature_correction_brix,
    wort_gravity_sg,
)
from calibration.solution import CAUTION, Recipe, recipes
from calibration.strength import DUTY_CAUTION, PREFERRED, WHY_PREFERRED, Strength, abv_duty_percent, strength
from gylewatch.errors import InputError, OutOfDomain
from gylewatch.quantities import COOL_C, GRAVITY, Celsius, Gravity, Number
from gylewatch.terminal import json_option, now, show_json, show_table
from gylewatch.units import POINT_SG, celsius_from_fahrenheit, half_points, plato_from_sg
from gylewatch.values import WORT_CORRECTION_FACTOR, HandSettings, Instrument, Sample, Unit

MIXED_C = Celsius(low=0.0, high=80.0)
GRAMS = Number("g", low=0.0001, high=100.0)
_BELOW_SG = 0.005
WARM_C = 45.0  # above it a mixing temperature is more likely one in °F


@click.command()
@click.option("--gravity", "gravities", type=Gravity(low=1.0, high=1.17), multiple=True, required=True, help="Repeat.")
@click.option("--volume-ml", type=Number("ml", low=10.0, high=1e5), required=True, help="Of each solution.")
@click.option(
    "--temperature", "temperature_c", type=MIXED_C, default=20.0, show_default=True, help="When mixed, in °C."
)
@click.option("--resolution-g", type=GRAMS, default=1.0, show_default=True, help="Smallest step of the balance.")
@click.option("--hot", is_flag=True, help=f"It really is mixed above {WARM_C:g} °C.")
@json_option
def solution(
    *,
    gravities: tuple[float, ...],
    volume_ml: float,
    temperature_c: float,
    resolution_g: float,
    hot: bool,
    as_json: bool,
) -> None:
    """Weigh sugar and water for one reference solution, or a whole set."""
    if temperature_c > WARM_C and not hot:
        raise InputError(
            "--temperature",
            f"is {temperature_c:g} meant in °F? in °C it would be {celsius_from_fahrenheit(temperature_c):.1f}; if the "
            f"solution really is at {temperature_c:g} °C add --hot",
        )
    weighed = recipes(gravities, volume_ml, temperature_c=temperature_c, balance_resolution_g=resolution_g)
    if as_json:
        show_json({"solutions": [asdict(one) for one in weighed], "caution": CAUTION})
        return
    digits = 0 if resolution_g >= 1.0 else 1 if resolution_g >= 0.1 else 2
    show_table(
        ("gravity", "sugar", "water", "sugar by mass", "gravity as weighed", "uncertainty"),
        [_recipe_row(one, digits) for one in weighed],
        empty="",
    )
    click.echo(
        f"Each makes {volume_ml:g} ml at {temperature_c:g} °C. Weigh both; calibrate with the gravity as weighed."
    )
    click.echo(CAUTION)


def _recipe_row(one: Recipe, digits: int) -> tuple[str, ...]:
    return (
        f"{one.gravity_sg:.4f}",
        f"{one.sucrose_g:.{digits}f} g",
        f"{one.water_g:.{digits}f} g",
        f"{one.mass_percent:.2f} %",
        f"{one.made_gravity_sg:.5f}",
        f"{one.sd_points:.2f} points",
    )


@click.command()
@click.argument(
    "instrument", type=click.Choice([str(each) for each in Instrument], case_sensitive=False), metavar="INSTRUMENT"
)
@click.argument("value", type=Number(grouped=False), metavar="VALUE")
@click.option(
    "--unit",
    type=click.Choice([str(each) for each in Unit], case_sensitive=False),
    default=None,
    help="Else SG, Brix or g/cm3.",
)
@click.option("--temperature", "temperature_c", type=COOL_C, required=True, help="Of the sample, in °C.")
@click.option("--og", "original_gravity_sg", type=GRAVITY, default=None, help="Original gravity of a fermented sample.")
@click.option("--wort", is_flag=True, help="The sample is not fermented.")
@click.option("--calibration-temperature", type=COOL_C, default=20.0, show_default=True, help="Of the hydrometer.")
@click.option("--meniscus-points", type=Number(low=-5, high=5), default=0.0, help="Added if read at its top, about 1.")
@click.option("--offset-points", type=Number(low=-50, high=50), default=0.0, help="Added; minus its error in water.")
@click.option("--wort-factor", type=Number(low=0.9, high=1.15), default=WORT_CORRECTION_FACTOR, show_default=True)
@click.option("--no-compensation", is_flag=True, help="The refractometer does not compensate for temperature.")
@json_option
def correct(
    *,
    instrument: str,
    value: float,
    unit: str | None,
    temperature_c: float,
    original_gravity_sg: float | None,
    wort: bool,
    calibration_temperature: float,
    meniscus_points: float,
    offset_points: float,
    wort_factor: float,
    no_compensation: bool,
    as_json: bool,
) -> None:
    """Correct one hand reading: VALUE as the INSTRUMENT shows it, to SG at 20 C with its uncertainty.

    INSTRUMENT is hydrometer, refractometer or density-meter.
    """
    sample = _sample(instrument, value, unit, temperature_c)
    settings = HandSettings(
        hydrometer_calibration_c=calibration_temperature,
        hydrometer_offset_sg=offset_points * POINT_SG,
        hydrometer_meniscus_sg=meniscus_points * POINT_SG,
        wort_correction_factor=wort_factor,
        refractometer_compensates=not no_compensation,
    )
    if wort and original_gravity_sg is not None:
        raise InputError("--wort", "wort has no original gravity of its own; leave --og out")
    if wort:
        original_gravity_sg = _below(sample, settings)
    corrected = hand_gravity(sample, original_gravity_sg=original_gravity_sg, settings=settings)
    beside = _correlations(sample, original_gravity_sg, settings)
    if as_json:
        show_json(_corrected_json(corrected, beside))
        return
    half = half_points(corrected.sd_sg)
    click.echo(f"gravity at 20 °C  {corrected.gravity_sg:.4f} ± {half:.1f} points (half the 80 % interval)")
    click.echo(f"extract           {plato_from_sg(corrected.gravity_sg):.2f} °P")
    click.echo(corrected.note)
    if beside is not None and beside.by_correlation:
        rows = [(name, f"{gravity:.4f}") for name, gravity in beside.by_correlation]
        show_table(("published correlation", "gravity"), rows, empty="")
        click.echo(f"They spread by ± {half_points(beside.spread_sg):.1f} points.")
    if instrument != Instrument.REFRACTOMETER:
        click.echo(DEGAS_REMINDER)


def _below(sample: Sample, settings: HandSettings) -> float:
    """An original gravity a little below what is read: the corrections take what lies above it for wort."""
    if sample.instrument is Instrument.REFRACTOMETER and sample.unit is not Unit.SG:
        return wort_gravity_sg(sample.value, wort_correction_factor=settings.wort_correction_factor) - _BELOW_SG
    return hand_gravity(sample, original_gravity_sg=None, settings=settings).gravity_sg - _BELOW_SG


def _sample(instrument: str, value: float, unit: str | None, temperature_c: float) -> Sample:
    usual = {
        Instrument.HYDROMETER: Unit.SG,
        Instrument.REFRACTOMETER: Unit.BRIX,
        Instrument.DENSITY_METER: Unit.G_PER_CM3,
    }
    which = Instrument(instrument)
    try:
        return Sample(
            time=now(),
            instrument=which,
            value=value,
            unit=usual[which] if unit is None else Unit(unit),
            sample_temperature_c=temperature_c,
        )
    except ValueError as error:
        raise InputError(instrument, str(error)) from None


def _correlations(sample: Sample, original_gravity_sg: float | None, settings: HandSettings) -> Refraction | None:
    if sample.instrument is not Instrument.REFRACTOMETER or original_gravity_sg is None:
        return None
    brix = plato_from_sg(sample.value) if sample.unit is Unit.SG else sample.value
    if not settings.refractometer_compensates:
        brix += temperature_correction_brix(brix, sample.sample_temperature_c)
    return fermented_gravity(brix, original_gravity_sg, wort_correction_factor=settings.wort_correction_factor)


def _corrected_json(corrected: HandGravity, beside: Refraction | None) -> dict[str, object]:
    return {
        "instrument": str(corrected.instrument),
        "gravity_sg": corrected.gravity_sg,
        "sd_points": corrected.sd_sg / POINT_SG,
        "extract_plato": plato_from_sg(corrected.gravity_sg),
        "note": corrected.note,
        "correlations": [] if beside is None else [{"name": n, "gravity_sg": g} for n, g in beside.by_correlation],
        "correlation_spread_points": None if beside is None else beside.spread_sg / POINT_SG,
    }


@click.command("strength")
@click.option("--og", "original_gravity_sg", type=GRAVITY, required=True, help="Original gravity.")
@click.option("--fg", "final_gravity_sg", type=GRAVITY, required=True, help="Gravity now, or at the end.")
@json_option
def show_strength(*, original_gravity_sg: float, final_gravity_sg: float, as_json: bool) -> None:
    """Alcohol by several formulas with their spread, extract, attenuation and energy. Not for duty or labels."""
    if final_gravity_sg > original_gravity_sg:
        raise InputError(
            "--fg",
            f"the final gravity {final_gravity_sg:.4f} lies above the original {original_gravity_sg:.4f}; are the two "
            "swapped?",
        )
    try:
        beer = strength(original_gravity_sg, final_gravity_sg)
    except OutOfDomain as error:
        raise InputError("strength", str(error)) from None
    duty = _duty(original_gravity_sg, final_gravity_sg)
    if as_json:
        shown = {**asdict(beer), "preferred": PREFERRED, "why": WHY_PREFERRED}
        show_json({**shown, "duty_table_abv_percent": duty, "caution": DUTY_CAUTION})
        return
    _show_strength(beer, duty)


def _show_strength(beer: Strength, duty: float | None) -> None:
    rows = [(name, f"{abv:.2f} % vol") for name, abv in beer.abv_by_formula]
    if duty is not None:
        rows.append(("duty authority's factor table", f"{duty:.1f} % vol"))
    show_table(("formula", "alcohol"), rows, empty="")
    low, high = beer.abv_low_percent, beer.abv_high_percent
    for line in (
        f"alcohol              {beer.abv_percent:.2f} % vol, {beer.abw_percent:.2f} % by mass",
        f"formulas spread      {low:.2f} to {high:.2f} % vol",
        f"original extract     {beer.original_extract_plato:.2f} °P",
        f"extract              {beer.apparent_extract_plato:.2f} °P apparent, {beer.real_extract_plato:.2f} °P real",
        f"attenuation          {beer.apparent_attenuation:.1%} apparent, {beer.real_attenuation:.1%} real",
        f"energy               {beer.energy_kcal_per_100_ml:.0f} kcal, {beer.energy_kj_per_100_ml:.0f} kJ per 100 ml",
        f"Preferred: {PREFERRED}. {WHY_PREFERRED}",
        DUTY_CAUTION,
    ):
        click.echo(line)


def _duty(original_gravity_sg: float, final_gravity_sg: float) -> float | None:
    try:
        return abv_duty_percent(original_gravity_sg, final_gravity_sg)
    except OutOfDomain:
        return None
