"""``gylewatch brewday``: gravity while it runs, boil-off, dilution, the kettle's balance, and the pitching gravity."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path

import click

from calibration.brewday import (
    HOT_CAUTION,
    OPEN_CAUTION,
    Change,
    Wort,
    after_boil,
    boil_off,
    closure,
    dilution,
    running_gravity,
)
from calibration.brewday import wort as wort_of
from gylewatch.errors import InputError
from gylewatch.quantities import BRIX, COOL_C, HOT_C, LITRES, Gravity, Number
from gylewatch.terminal import config_option, json_option, opened_store, show_json
from gylewatch.units import POINT_SG, plato_from_sg
from gylewatch.values import WORT_CORRECTION_FACTOR, BatchId
from web.shapes import batch_shape

WORT_SG = Gravity(low=1.0005, high=1.18)
PITCHED_SG = Gravity(low=1.005, high=1.2)
KILOGRAMS = Number("kg", low=0.0, high=1e5)
HOURS = Number("h", low=0.0, high=24.0)
LITRES_PER_HOUR = Number("l/h", low=0.01, high=1e4)


@click.group()
def brewday() -> None:
    """Brew day: gravity of mash and boil, boil-off, dilution, and the balance of the kettle."""


@brewday.command("gravity")
@click.option("--brix", type=BRIX, required=True, help="As the refractometer shows it.")
@click.option("--temperature", "temperature_c", type=HOT_C, required=True, help="Of mash or boil, in °C.")
@click.option("--prism-temperature", type=COOL_C, default=20.0, show_default=True, help="Of the drops on the prism.")
@click.option("--wort-factor", type=Number(low=0.9, high=1.15), default=WORT_CORRECTION_FACTOR, show_default=True)
@click.option("--no-compensation", is_flag=True, help="The refractometer does not compensate for temperature.")
@json_option
def running(
    *,
    brix: float,
    temperature_c: float,
    prism_temperature: float,
    wort_factor: float,
    no_compensation: bool,
    as_json: bool,
) -> None:
    """Gravity of running wort in mash or boil, from a few cooled drops."""
    shown = running_gravity(
        brix,
        temperature_c,
        prism_temperature_c=prism_temperature,
        compensates=not no_compensation,
        wort_correction_factor=wort_factor,
    )
    if as_json:
        show_json({**asdict(shown), "caution": HOT_CAUTION})
        return
    click.echo(f"gravity at 20 °C  {shown.gravity_sg:.4f} ± {shown.sd_sg / POINT_SG:.1f} points")
    click.echo(f"extract           {shown.extract_plato:.2f} °P")
    click.echo(f"at {temperature_c:g} °C it is as dense as {shown.at_temperature_sg:.4f} (over water at 20 °C)")
    click.echo(HOT_CAUTION)


@brewday.command("boil")
@click.option("--gravity", "gravity_sg", type=WORT_SG, required=True, help="Now.")
@click.option("--volume-l", type=LITRES, required=True, help="In the kettle now.")
@click.option("--temperature", "temperature_c", type=HOT_C, default=20.0, show_default=True, help="Of that volume.")
@click.option("--target", "target_sg", type=WORT_SG, default=None, help="Gravity wanted after the boil.")
@click.option("--hours", type=HOURS, default=None, help="Or: how long it boils, to learn what comes out.")
@click.option(
    "--rate", "rate_l_per_h", type=LITRES_PER_HOUR, default=None, help="Litres of water it boils off an hour."
)
@click.option("--sugar-kg", type=KILOGRAMS, default=0.0, help="Dry sugar added in the boil.")
@json_option
def boil(
    *,
    gravity_sg: float,
    volume_l: float,
    temperature_c: float,
    target_sg: float | None,
    hours: float | None,
    rate_l_per_h: float | None,
    sugar_kg: float,
    as_json: bool,
) -> None:
    """How much must boil off to reach a target gravity, or what a boil of so many hours gives."""
    before = wort_of(gravity_sg, volume_l, temperature_c)
    if (target_sg is None) == (hours is None):
        raise InputError("brewday boil", "give either --target, or --hours with --rate")
    if target_sg is not None:
        sweetened = after_boil(before, 0.0, sugar_kg=sugar_kg)
        change = boil_off(sweetened, target_sg)
    elif rate_l_per_h is None or hours is None:
        raise InputError("--rate", "is missing: how many litres of water boil off in an hour?")
    else:
        water_kg = hours * rate_l_per_h * _WATER_KG_PER_L
        change = Change(water_kg=water_kg, after=after_boil(before, water_kg, sugar_kg=sugar_kg))
    needed_h = None if rate_l_per_h is None else change.water_kg / _WATER_KG_PER_L / rate_l_per_h
    if as_json:
        show_json({"before": asdict(before), **_change_json(change), "hours": needed_h, "caution": OPEN_CAUTION})
        return
    time = "" if needed_h is None else f", which takes {needed_h:.2f} h"
    click.echo(f"boils off  {change.water_kg / _WATER_KG_PER_L:.2f} l of water{time}")
    _show_after(change.after)
    click.echo(f"{HOT_CAUTION} {OPEN_CAUTION}")


@brewday.command("dilute")
@click.option("--gravity", "gravity_sg", type=WORT_SG, required=True, help="Now.")
@click.option("--volume-l", type=LITRES, required=True, help="Now.")
@click.option("--temperature", "temperature_c", type=HOT_C, default=20.0, show_default=True, help="Of that volume.")
@click.option("--target", "target_sg", type=WORT_SG, required=True, help="Gravity wanted.")
@json_option
def dilute(*, gravity_sg: float, volume_l: float, temperature_c: float, target_sg: float, as_json: bool) -> None:
    """Water to add to reach a lower gravity."""
    before = wort_of(gravity_sg, volume_l, temperature_c)
    change = dilution(before, target_sg)
    if as_json:
        show_json({"before": asdict(before), **_change_json(change)})
        return
    click.echo(f"add        {change.water_kg:.2f} kg of water ({change.water_kg / _WATER_KG_PER_L:.2f} l at 20 °C)")
    _show_after(change.after)
    click.echo("Use water that is boiled or otherwise clean, and stir well before you measure again.")


@brewday.command("balance")
@click.option("--pre-gravity", type=WORT_SG, required=True, help="Before the boil.")
@click.option("--pre-volume-l", type=LITRES, required=True)
@click.option("--pre-temperature", type=HOT_C, required=True, help="At which that volume was read.")
@click.option("--post-gravity", type=WORT_SG, required=True, help="After the boil.")
@click.option("--post-volume-l", type=LITRES, required=True)
@click.option("--post-temperature", type=HOT_C, required=True, help="At which that volume was read.")
@click.option("--sugar-kg", type=KILOGRAMS, default=0.0, help="Dry sugar added in between.")
@json_option
def balance(
    *,
    pre_gravity: float,
    pre_volume_l: float,
    pre_temperature: float,
    post_gravity: float,
    post_volume_l: float,
    post_temperature: float,
    sugar_kg: float,
    as_json: bool,
) -> None:
    """Hold the kettle before the boil against the kettle after it: extract neither comes nor goes."""
    before = wort_of(pre_gravity, pre_volume_l, pre_temperature)
    after = wort_of(post_gravity, post_volume_l, post_temperature)
    closed = closure(before, after, sugar_kg=sugar_kg)
    if as_json:
        show_json({"before": asdict(before), "after": asdict(after), **asdict(closed)})
        return
    for name, one in (("before", before), ("after", after)):
        click.echo(f"{name:<10} {one.mass_kg:.2f} kg of wort with {one.extract_kg:.2f} kg of extract")
    click.echo(f"water lost {closed.water_lost_kg:.2f} kg")
    click.echo(f"extract    {closed.extract_change_kg:+.2f} kg ± {closed.extract_sd_kg:.2f} kg: {closed.verdict}")


@brewday.command("pitch")
@click.argument("batch_id", metavar="BATCH")
@click.option(
    "--gravity", "gravity_sg", type=Gravity(low=1.005, high=1.2), required=True, help="SG at 20 °C, corrected."
)
@click.option("--replace", "replaces", is_flag=True, help="Another original gravity is stored already; replace it.")
@json_option
@config_option
def pitch(*, batch_id: str, gravity_sg: float, replaces: bool, as_json: bool, config: Path) -> None:
    """Store the gravity at pitching as the original gravity of BATCH (its id)."""
    with opened_store(config) as store:
        record = store.batch(BatchId(batch_id))
        stored = record.batch.original_gravity_sg
        if stored is not None and abs(stored - gravity_sg) > 5e-5 and not replaces:
            raise InputError(
                f"batch {batch_id}",
                f"its original gravity is {stored:.4f} already; is {gravity_sg:.4f} right? then add --replace",
            )
        record = store.replace_batch(record, replace(record.batch, original_gravity_sg=gravity_sg))
    if as_json:
        show_json(batch_shape(record))
    else:
        click.echo(f"original gravity of {batch_id}: {gravity_sg:.4f} ({plato_from_sg(gravity_sg):.2f} °P)")


_WATER_KG_PER_L = 0.9982  # at 20 °C


def _change_json(change: Change) -> dict[str, object]:
    return {"water_kg": change.water_kg, "water_l": change.water_kg / _WATER_KG_PER_L, "after": asdict(change.after)}


def _show_after(after: Wort) -> None:
    hot = after_boil(after, 0.0, end_temperature_c=100.0)
    click.echo(f"then       {after.gravity_sg:.4f} ({plato_from_sg(after.gravity_sg):.2f} °P)")
    click.echo(f"volume     {after.volume_l:.2f} l at 20 °C, {hot.volume_l:.2f} l boiling")
