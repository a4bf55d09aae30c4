"""``gylewatch curve`` with add, list and show; the rest of the group is in `cli_curves`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from calibration.fit import fit_curve
from gylewatch.curve_picture import off_curve
from gylewatch.errors import InputError, NotFound
from gylewatch.likely import too_hot_note
from gylewatch.tables import read_references
from gylewatch.terminal import (
    FilePath,
    config_option,
    json_option,
    now,
    opened_store,
    show_json,
    show_table,
    shown_time,
    user_name,
    warn,
)
from gylewatch.values import FloatId, Reference, utc_text
from storage.records import CurveRecord
from storage.store import Store

VERSION = click.IntRange(1, 2**31 - 1)  # what every database can hold


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
        for name in names:
            warn_of_older(store, name)
    _show_curves(records, as_json=as_json)
    for name, group in groups.items():
        warn(too_hot_note(f"float {name}: solutions", [p.temperature_c for p in group], "add the file again"))


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
@click.option("--version", type=VERSION, default=None, help="The newest, if not given.")
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


def warn_of_older(store: Store, float_id: FloatId) -> None:
    """Name the beers that go on under an older version of a float's curve, after a new one was kept."""
    newest = store.current_curve(float_id)
    for record in store.batches(active_only=True):
        version = record.curve_version
        if record.batch.float_id == float_id and version and newest and version < newest.version:
            warn(
                f"batch {record.batch_id} is watched and keeps version {version} of the curve of float {float_id}; see "
                f"what version {newest.version} would change with: gylewatch curve reread {record.batch_id}"
            )


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
        f"{point.temperature_c:.1f} °C",
        f"{off_curve(residual_sg)} points",
        "" if used else "not used",
    )
