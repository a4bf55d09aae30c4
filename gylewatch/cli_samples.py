"""``gylewatch sample``: hand measurements are added, listed and withdrawn."""

from __future__ import annotations

from pathlib import Path

import click

from gylewatch.counting import counted
from gylewatch.errors import InputError
from gylewatch.quantities import in_any_case
from gylewatch.samples_file import read_samples_of
from gylewatch.tables import parse_time
from gylewatch.terminal import (
    FilePath,
    config_option,
    json_option,
    now,
    opened_store,
    say_plus_minus,
    show_json,
    show_table,
    shown_time,
    user_name,
    warn,
)
from gylewatch.units import half_points
from gylewatch.values import BatchId, Instrument, Unit
from web.records import corrected_or_why_not
from web.sample_doubt import doubt_far_sample
from web.sample_form import check_sample_time, parse_sample
from web.shapes import sample_shape


@click.group("sample")
def samples() -> None:
    """Samples: hand measurements, as read, before any correction."""


@samples.command("add")
@click.argument("batch_id", metavar="BATCH")
@click.option("--instrument", default="", help="hydrometer, refractometer or density-meter.")
@click.option("--value", default="", help="As read.")
@click.option("--unit", default="", help="SG, Brix, Plato or g/cm3.")
@click.option("--temperature-c", default="", help="Temperature of the sample.")
@click.option("--time", "time_text", default="", help="When it was drawn, e.g. 2026-03-05T18:30:00Z; else now.")
@click.option("--sure", is_flag=True, help="It is right although it lies far from the estimate.")
@click.option("--from", "file", type=FilePath, default=None, help="Take the samples from a samples.csv instead.")
@json_option
@config_option
def add_sample(
    *,
    batch_id: str,
    instrument: str,
    value: str,
    unit: str,
    temperature_c: str,
    time_text: str,
    sure: bool,
    file: Path | None,
    as_json: bool,
    config: Path,
) -> None:
    """Keep a hand measurement of BATCH (its id); the estimate follows it at once.

    Where readings from after the time it was drawn were used already, the batch is read again with it.
    """
    fields = {
        "instrument": in_any_case(instrument, Instrument),
        "value": value,
        "unit": in_any_case(unit, Unit),
        "sample_temperature": temperature_c,
        "time": time_text,
    }
    with opened_store(config) as store:
        record = store.batch(BatchId(batch_id))
        batch = record.batch
        if file is not None:
            new = list(read_samples_of(batch, file))
            for sample in new:
                check_sample_time(sample, now=now(), pitched=batch.pitched)
        else:
            _require_zone(time_text)
            parsed = parse_sample(fields, batch, now=now(), fahrenheit=False)
            if isinstance(parsed, tuple):
                raise InputError("sample", " ".join(question.sentence for question in parsed))
            new = [parsed]
            doubt = None if sure else doubt_far_sample(store, record, parsed)
            if doubt is not None:
                raise InputError("sample", f"{doubt.sentence} Then add --sure.")
        known = {sample for _, sample in store.samples(BatchId(batch_id))}
        shapes = [sample_shape(store.add_sample(BatchId(batch_id), sample), sample) for sample in new]
    repeats = len(new) - len(set(new) - known)
    if as_json:
        show_json(shapes)
    else:
        there = f"; {repeats} stood there already, word for word" if repeats else ""
        click.echo(f"{counted(len(new) - repeats, 'sample')} kept for batch {batch_id}{there}")
    if record.ended is not None:
        warn(
            f"batch {batch_id} ended at {shown_time(record.ended)} and is no longer watched: the sample is kept for "
            "the record, but changes no estimate"
        )
    if any(sample.time < batch.pitched for sample in new):
        warn(
            "what was drawn before pitching is kept, but the estimate does not use it: the gravity at pitching is the "
            "batch's original_gravity"
        )


def _require_zone(time_text: str) -> None:
    """Only the page's form may leave the zone out: at the terminal a time without one is hardly ever meant as UTC."""
    try:
        if time_text.strip():
            parse_time(time_text)
    except ValueError as error:
        raise InputError("--time", str(error)) from None


@samples.command("list")
@click.argument("batch_id", metavar="BATCH")
@json_option
@config_option
def list_samples(*, batch_id: str, as_json: bool, config: Path) -> None:
    """List the hand measurements of BATCH (its id), each with the gravity it stands for."""
    with opened_store(config) as store:
        batch = store.batch(BatchId(batch_id)).batch
        numbered = store.samples(BatchId(batch_id))
    if as_json:
        show_json([sample_shape(identifier, sample) for identifier, sample in numbered])
        return
    rows = [
        (
            str(identifier),
            shown_time(sample.time),
            sample.instrument,
            f"{sample.value:g} {sample.unit}",
            f"{sample.sample_temperature_c:.1f} °C",
            gravity
            if isinstance(gravity := corrected_or_why_not(batch, sample), str)
            else f"{gravity.gravity_sg:.4f} ± {half_points(gravity.sd_sg):.1f} points",
        )
        for identifier, sample in numbered
    ]
    show_table(("id", "drawn", "instrument", "as read", "at", "gravity at 20 °C"), rows, empty="no samples yet")
    if rows:
        say_plus_minus()


@samples.command("withdraw")
@click.argument("batch_id", metavar="BATCH")
@click.argument("sample_id", metavar="ID", type=click.IntRange(1, 2**62))
@json_option
@config_option
def withdraw_sample(*, batch_id: str, sample_id: int, as_json: bool, config: Path) -> None:
    """Withdraw a mistyped hand measurement: ID of BATCH, as "sample list" shows it.

    It is kept, marked with your name, but nothing uses it any more; an active batch is read again without it.
    """
    with opened_store(config) as store:
        store.withdraw_sample(BatchId(batch_id), sample_id, who=user_name(), time=now())
    if as_json:
        show_json({"batch": batch_id, "id": sample_id, "withdrawn": True})
    else:
        click.echo(f"sample {sample_id} of batch {batch_id} is withdrawn; the estimate follows without it")
