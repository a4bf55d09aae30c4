"""Commands that name floats, vessels, curves, batches and samples, and list them."""

from __future__ import annotations

from collections.abc import Container, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import click

from calibration.fit import fit_curve
from gylewatch.batch_file import read_batch
from gylewatch.config import read_settings
from gylewatch.errors import AlreadyExists, InputError, NotFound
from gylewatch.likely import too_hot_note
from gylewatch.quantities import LITRES
from gylewatch.tables import parse_time, read_references, read_samples
from gylewatch.terminal import (
    FilePath,
    config_option,
    json_option,
    now,
    opened_store,
    show_json,
    show_table,
    shown_number,
    shown_time,
    user_name,
)
from gylewatch.values import BatchId, FloatId, Reference, VesselId, check_name, utc_text
from storage.records import CurveRecord, FloatRecord, VesselRecord
from storage.store import Store
from web.records import corrected
from web.sample_doubt import doubt_far_sample
from web.sample_form import check_sample_time, parse_sample
from web.shapes import batch_shape, float_shape, sample_shape

PITCHED_AHEAD = timedelta(hours=1)  # a beer may be entered while it is being pitched


def _named(what: str, name: str) -> str:
    try:
        return check_name(what, name)
    except ValueError as error:
        raise InputError(what, str(error)) from None


def _warn(note: str) -> None:
    if note:
        click.echo(note, err=True)


@click.group("float")
def floats() -> None:
    """Floats: the tilting sensors, each with the name you give it."""


def _several(what: str, names: Sequence[str], taken: Container[str]) -> tuple[str, ...]:
    """The names to add, each once; refuses all of them if one cannot be given."""
    wanted = tuple(dict.fromkeys(_named(what, name) for name in names))
    for name in wanted:
        if name in taken:
            raise AlreadyExists(what, name)
    return wanted


def _counted(names: Sequence[str], what: str) -> str:
    return f"{what} {names[0]} is known" if len(names) == 1 else f"{len(names)} {what}s are known"


@floats.command("add")
@click.argument("names", nargs=-1, required=True, metavar="NAME...")
@click.option("--note", default="", help="Anything you want to remember about it.")
@click.option("--address", default=None, help="Its radio address, where it does not send its name.")
@json_option
@config_option
def add_float(*, names: tuple[str, ...], note: str, address: str | None, as_json: bool, config: Path) -> None:
    """Make the float NAME known, or several; from then on their readings are accepted."""
    if address is not None and len(names) > 1:
        raise InputError("--address", "is of one float; add each float that has one by itself")
    with opened_store(config) as store:
        wanted = _several("float", names, store.float_ids())
        records = [FloatRecord(float_id=FloatId(name), created=now(), note=note, address=address) for name in wanted]
        for record in records:
            store.add_float(record)
    if as_json:
        shapes = [float_shape(record, None) for record in records]
        show_json(shapes[0] if len(shapes) == 1 else shapes)
    else:
        them = "it" if len(wanted) == 1 else "them"
        click.echo(f"{_counted(wanted, 'float')}; calibrate {them} with: gylewatch curve add references.csv")


@floats.command("list")
@json_option
@config_option
def list_floats(*, as_json: bool, config: Path) -> None:
    """List the known floats with their newest reading."""
    with opened_store(config) as store:
        shapes = [float_shape(record, store.latest_reading(record.float_id)) for record in store.floats()]
    if as_json:
        show_json(shapes)
        return
    rows = [
        (
            shape.float_id,
            shown_time(shape.last_heard),
            shown_number(shape.battery_v, 2, " V"),
            shown_number(shape.rssi_dbm, 0, " dBm"),
            shape.note,
        )
        for shape in shapes
    ]
    show_table(
        ("float", "last heard", "battery", "signal", "note"), rows, empty="no floats yet; add one: gylewatch float add"
    )


@floats.command("forget-counter")
@click.argument("name")
@json_option
@config_option
def forget_counter(*, name: str, as_json: bool, config: Path) -> None:
    """Let the counter of the float NAME begin anew, as after a change of its battery (encrypted advertisements only).

    The next advertisement that fits its key is taken and counted on from, also while the service runs. Until then a
    recording of an older one would be taken too.
    """
    with opened_store(config) as store:
        store.forget_counter(FloatId(name))
    if as_json:
        show_json({"float": name, "counter": None})
    else:
        click.echo(f"the counter of float {name} is forgotten; its next advertisement is taken whatever it counts")


@click.group("vessel")
def vessels() -> None:
    """Vessels: the fermenters."""


@vessels.command("add")
@click.argument("names", nargs=-1, required=True, metavar="NAME...")
@click.option("--volume-l", type=LITRES, default=None, help="What it holds, in litres.")
@click.option("--note", default="")
@json_option
@config_option
def add_vessel(*, names: tuple[str, ...], volume_l: float | None, note: str, as_json: bool, config: Path) -> None:
    """Make the vessel NAME known, or several that are alike."""
    with opened_store(config) as store:
        wanted = _several("vessel", names, {record.vessel_id for record in store.vessels()})
        for name in wanted:
            store.add_vessel(VesselRecord(vessel_id=VesselId(name), created=now(), volume_l=volume_l, note=note))
    if as_json:
        shown = [{"vessel": name, "volume_l": volume_l, "note": note} for name in wanted]
        show_json(shown[0] if len(shown) == 1 else {"vessels": shown})
    else:
        click.echo(_counted(wanted, "vessel"))


@vessels.command("list")
@json_option
@config_option
def list_vessels(*, as_json: bool, config: Path) -> None:
    """List the known vessels."""
    with opened_store(config) as store:
        records = store.vessels()
    if as_json:
        show_json({"vessels": [{"vessel": v.vessel_id, "volume_l": v.volume_l, "note": v.note} for v in records]})
        return
    rows = [(v.vessel_id, shown_number(v.volume_l, 1, " l"), v.note) for v in records]
    show_table(("vessel", "volume", "note"), rows, empty="no vessels yet; add one: gylewatch vessel add")


@click.group("curve")
def curves() -> None:
    """Curves: the calibrations, from angle to gravity. Each is a new version; nothing is overwritten."""


@curves.command("add")
@click.argument("references", type=FilePath)
@click.option("--float", "float_name", default=None, help="Only this float's points; else every float in the file.")
@click.option("--who", default=None, help="Who calibrated it; else the name you are logged in with.")
@click.option("--note", default="")
@json_option
@config_option
def add_curve(
    *, references: Path, float_name: str | None, who: str | None, note: str, as_json: bool, config: Path
) -> None:
    """Fit a curve to the points in the file REFERENCES (references.csv) and keep it."""
    points = read_references(references)
    names = [FloatId(float_name)] if float_name else list(dict.fromkeys(point.float_id for point in points))
    groups = {name: [point for point in points if point.float_id == name] for name in names}
    if empty := [name for name, group in groups.items() if not group]:
        raise InputError(str(references), f"no row is of the float {empty[0]!r}")
    fitted = {name: fit_curve(group) for name, group in groups.items()}
    with opened_store(config) as store:
        if unknown := set(names) - store.float_ids():
            raise NotFound("float", sorted(unknown)[0], "add it first with: gylewatch float add")
        for name, curve in fitted.items():
            store.add_curve(curve, groups[name], who=who or user_name(), note=note, created=now())
        records = [record for name in names if (record := store.current_curve(name)) is not None]
    _show_curves(records, as_json=as_json)
    for name, group in groups.items():
        _warn(too_hot_note(f"float {name}: solutions", [p.temperature_c for p in group], "add the file again"))


@curves.command("list")
@click.argument("float_name", metavar="FLOAT")
@json_option
@config_option
def list_curves(*, float_name: str, as_json: bool, config: Path) -> None:
    """List all versions of FLOAT's curve."""
    with opened_store(config) as store:
        _require_float(store, float_name)
        records = store.curves(FloatId(float_name))
    _show_curves(records, as_json=as_json)


@curves.command("show")
@click.argument("float_name", metavar="FLOAT")
@click.option("--version", type=int, default=None, help="The newest, if not given.")
@json_option
@config_option
def show_curve(*, float_name: str, version: int | None, as_json: bool, config: Path) -> None:
    """Show one version of FLOAT's curve with its points and how far they lie from it."""
    with opened_store(config) as store:
        record = required_curve(store, float_name, version)
    if as_json:
        show_json(_curve_json(record))
        return
    _show_curves([record], as_json=False)
    _show_points(record)


def _require_float(store: Store, name: str) -> None:
    if name not in store.float_ids():
        raise NotFound("float", name, "list them with: gylewatch float list")


def required_curve(store: Store, float_name: str, version: int | None = None) -> CurveRecord:
    """A version of a float's curve, the newest if none is named; raises `NotFound` with what to do."""
    _require_float(store, float_name)
    name = FloatId(float_name)
    record = store.curve(name, version) if version is not None else store.current_curve(name)
    if record is None:
        remedy = "calibrate the float with: gylewatch calibrate, or gylewatch curve add references.csv"
        raise NotFound("curve", float_name, remedy)
    return record


def _curve_json(record: CurveRecord) -> dict[str, object]:
    return {
        "float": record.float_id,
        "version": record.version,
        "created": utc_text(record.created),
        "who": record.who,
        "note": record.note,
        "curve": record.curve.to_json(),
        "references": [
            {"angle_deg": r.angle_deg, "gravity_sg": r.gravity_sg, "temperature_c": r.temperature_c}
            for r in record.references
        ],
    }


def _show_curves(records: Sequence[CurveRecord], *, as_json: bool) -> None:
    if as_json:
        show_json({"curves": [_curve_json(record) for record in records]})
        return
    rows = [
        (
            r.float_id,
            str(r.version),
            shown_time(r.created),
            r.who,
            f"{r.curve.angle_low_deg:.1f} to {r.curve.angle_high_deg:.1f} deg",
            str(len(r.references)),
            f"{1000 * r.curve.residual_sd_sg:.1f} points",
            r.note,
        )
        for r in records
    ]
    show_table(
        ("float", "version", "made", "by", "range", "references", "scatter", "note"),
        rows,
        empty="no curve yet; make one: gylewatch curve add references.csv",
    )
    for record in records:
        for reason in record.curve.excluded_reasons:
            click.echo(f"{record.float_id}: {reason}")


def _show_points(record: CurveRecord) -> None:
    rows = [
        _point_row(point, residual, used=index not in record.curve.excluded)
        for index, (point, residual) in enumerate(zip(record.references, record.curve.residuals_sg, strict=False))
    ]
    show_table(("angle", "gravity", "temperature", "off the curve", ""), rows, empty="")


def _point_row(point: Reference, residual_sg: float, *, used: bool) -> tuple[str, ...]:
    return (
        f"{point.angle_deg:.2f} deg",
        f"{point.gravity_sg:.4f}",
        f"{point.temperature_c:.1f} C",
        f"{1000 * residual_sg:+.2f} points",
        "" if used else "not used",
    )


@click.group("batch")
def batches() -> None:
    """Batches: one beer in one vessel, from pitching to packaging."""


@batches.command("add")
@click.argument("file", type=FilePath)
@json_option
@config_option
def add_batch(*, file: Path, as_json: bool, config: Path) -> None:
    """Start watching the batch described in FILE (batch.toml).

    Its samples are measured with the [instruments] of the configuration, unless the file has [batch.instruments].
    """
    batch = read_batch(file, instruments=read_settings(config).instruments)
    if batch.pitched - now() > PITCHED_AHEAD:
        raise InputError(
            str(file),
            f"batch.pitched = {shown_time(batch.pitched)} lies in the future; add the batch when the yeast is in, or "
            "check date and time zone (Z is UTC)",
        )
    with opened_store(config) as store:
        record = store.add_batch(batch, created=now())
    ranges = [batch.temperature_c, *(step.temperature_c for step in batch.plan)]
    remedy = f"remove the batch and add it again: gylewatch batch remove {record.batch_id}"
    _warn(next(filter(None, (too_hot_note("a wanted range", each, remedy) for each in ranges)), ""))
    if as_json:
        show_json(batch_shape(record))
        return
    click.echo(f"batch {record.batch_id} is watched")
    if record.curve_version is None:
        click.echo(f"float {batch.float_id} has no curve yet: calibrate it with: gylewatch curve add references.csv")


@batches.command("list")
@click.option("--active", is_flag=True, help="Only those that have not ended.")
@json_option
@config_option
def list_batches(*, active: bool, as_json: bool, config: Path) -> None:
    """List the batches."""
    with opened_store(config) as store:
        records = store.batches(active_only=active)
    if as_json:
        show_json([batch_shape(record) for record in records])
        return
    rows = [
        (
            r.batch_id,
            r.batch.name,
            r.batch.vessel,
            r.batch.float_id,
            shown_time(r.batch.pitched),
            shown_time(r.ended) if r.ended else "active",
        )
        for r in records
    ]
    show_table(
        ("id", "name", "vessel", "float", "pitched", "ended"), rows, empty="no batches; add one: gylewatch batch add"
    )


@batches.command("end")
@click.argument("batch_id", metavar="BATCH")
@click.option("--time", "time_text", default=None, help="When it was packaged, e.g. 2026-03-20T10:00:00Z; else now.")
@json_option
@config_option
def end_batch(*, batch_id: str, time_text: str | None, as_json: bool, config: Path) -> None:
    """Stop watching BATCH (its id); its float is free for the next one."""
    time = _time_of(time_text)
    with opened_store(config) as store:
        record = store.end_batch(BatchId(batch_id), time)
    if as_json:
        show_json(batch_shape(record))
    else:
        click.echo(f"batch {record.batch_id} ended at {shown_time(record.ended)}")


@batches.command("remove")
@click.argument("batch_id", metavar="BATCH")
@click.option("--yes", is_flag=True, help="Also where something was concluded about it or samples were entered.")
@json_option
@config_option
def remove_batch(*, batch_id: str, yes: bool, as_json: bool, config: Path) -> None:
    """Remove BATCH (its id) that was entered by mistake: its name and float are free again; readings stay."""
    with opened_store(config) as store:
        name = store.batch(BatchId(batch_id)).batch_id
        if not yes and (store.latest_estimate(name) is not None or store.samples(name)):
            raise InputError(
                f"batch {batch_id}",
                "has estimates or samples that would be lost; if it is finished use batch end; else add --yes",
            )
        store.remove_batch(name)
    if as_json:
        show_json({"batch": batch_id, "removed": True})
    else:
        click.echo(f"batch {batch_id} is removed; its name and its float are free")


def _time_of(text: str | None) -> datetime:

    try:
        return now() if text is None else parse_time(text)
    except ValueError as error:
        raise InputError("--time", str(error)) from None


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
    """Keep a hand measurement of BATCH (its id); the estimate follows it at once."""
    fields = {
        "instrument": instrument,
        "value": value,
        "unit": unit,
        "sample_temperature": temperature_c,
        "time": time_text,
    }
    with opened_store(config) as store:
        record = store.batch(BatchId(batch_id))
        batch = record.batch
        if file is not None:
            new = [sample for _, sample in read_samples(file)]
            for sample in new:
                check_sample_time(sample, now=now(), pitched=batch.pitched)
        else:
            parsed = parse_sample(fields, batch, now=now(), fahrenheit=False)
            if isinstance(parsed, tuple):
                raise InputError("sample", " ".join(question.sentence for question in parsed))
            new = [parsed]
            doubt = None if sure else doubt_far_sample(store, record, parsed)
            if doubt is not None:
                raise InputError("sample", f"{doubt.sentence} Then add --sure.")
        shapes = [sample_shape(store.add_sample(BatchId(batch_id), sample), sample) for sample in new]
    if as_json:
        show_json(shapes)
    else:
        click.echo(f"{len(shapes)} sample{'s' if len(shapes) != 1 else ''} kept for batch {batch_id}")


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
            f"{sample.sample_temperature_c:.1f} C",
            f"{gravity.gravity_sg:.4f} +- {gravity.sd_sg:.4f}" if (gravity := corrected(batch, sample)) else "-",
        )
        for identifier, sample in numbered
    ]
    show_table(("id", "drawn", "instrument", "as read", "at", "gravity at 20 C"), rows, empty="no samples yet")


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
