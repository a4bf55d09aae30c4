"""``gylewatch curve`` with check-water, recalibrate, reread, export and import, beside add, list and show."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import click
import numpy as np

from calibration.anchoring import AROUND, anchor
from calibration.curve import Curve, gravity_reading
from calibration.recalibrate import SUSPECT_SIGMA, Anchor, Recalibration, check_in_water, recalibrate
from calibration.settling import settling
from gylewatch.cli_curve_versions import VERSION, curves, required_curve, warn_of_older
from gylewatch.curve_picture import RESIDUAL_HEADER, picture, residual_rows
from gylewatch.errors import CalibrationError, InputError
from gylewatch.quantities import Celsius, Number
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
)
from gylewatch.units import POINT_SG
from gylewatch.values import BatchId, FloatId, Reference, utc_text
from gylewatch.window import newest_window
from storage.records import BatchRecord, CurveRecord
from storage.store import Store
from web.records import corrected

__all__ = ["curves"]

ANGLE = Number("deg", low=0.0, high=180.0)
WATER_C = Celsius(low=0.0, high=40.0)
MOST_OFF_SG = 50.0 * POINT_SG
# A curve that was moved by hand samples keeps its old points, and hot solutions are lighter by up to 17 points.
EXPORT_FORMAT = "gylewatch-curve-export-1"


@curves.command("check-water")
@click.argument("float_name", metavar="FLOAT")
@click.option("--angle", "angle_deg", type=ANGLE, default=None, help="As the float shows it; else from its readings.")
@click.option("--temperature", "temperature_c", type=WATER_C, default=None, help="Of the water, in °C.")
@json_option
@config_option
def check_water(
    *, float_name: str, angle_deg: float | None, temperature_c: float | None, as_json: bool, config: Path
) -> None:
    """Check FLOAT's curve in plain water, the one solution that everyone has."""
    angle_sd_deg = 0.2
    with opened_store(config) as store:
        record = required_curve(store, float_name)
        if angle_deg is None or temperature_c is None:
            rest = settling(newest_window(store, FloatId(float_name), now()))
            if not rest.settled:
                raise InputError(f"float {float_name}", f"{rest.reason}; or give --angle and --temperature")
            angle_sd_deg = rest.angle_sd_deg if angle_deg is None else angle_sd_deg
            angle_deg = rest.angle_deg if angle_deg is None else angle_deg
            temperature_c = rest.temperature_c if temperature_c is None else temperature_c
    check = check_in_water(
        record.curve, angle_deg=angle_deg, temperature_c=temperature_c, angle_sd_deg=max(angle_sd_deg, 0.02)
    )
    if as_json:
        show_json({"float": float_name, "version": record.version, "angle_deg": angle_deg, **asdict(check)})
        return
    click.echo(
        f"float {float_name}, curve version {record.version}, {angle_deg:.2f}° in water at {temperature_c:.1f} °C"
    )
    click.echo(check.verdict)


@curves.command("recalibrate")
@click.argument("batch_id", metavar="BATCH")
@click.option("--accept", is_flag=True, help="Keep the updated curve as a new version; else it is only shown.")
@click.option("--who", default=None, help="Who decided it; else the name you are logged in with.")
@click.option("--note", default="", help="Kept with the new version.")
@json_option
@config_option
def recalibrate_by_samples(
    *, batch_id: str, accept: bool, who: str | None, note: str, as_json: bool, config: Path
) -> None:
    """Update the curve of BATCH's float by the hand samples of BATCH: offset, then slope, as far as they bear."""
    with opened_store(config) as store:
        record = store.batch(BatchId(batch_id))
        before = required_curve(store, record.batch.float_id, record.curve_version)
        anchors = _anchors(store, record)
        updated = recalibrate(before.curve, anchors, original_gravity_sg=record.batch.original_gravity_sg)
        version = None
        if accept:
            text = note or f"version {before.version} updated by {len(anchors)} hand samples of {batch_id}"
            version = store.add_curve(
                updated.curve, before.references, who=who or user_name(), note=text, created=now()
            )
    if as_json:
        show_json(_recalibration_json(before, anchors, updated, version))
    else:
        _show_recalibration(before, anchors, updated, version, batch_id)


def _anchors(store: Store, record: BatchRecord) -> list[Anchor]:
    batch = record.batch
    found = []
    for _, sample in store.samples(record.batch_id):
        hand = corrected(batch, sample)
        if hand is None:
            continue
        readings = store.readings(batch.float_id, since=hand.time - AROUND, until=hand.time + AROUND)
        beside = anchor(hand, readings)
        if beside is not None:
            found.append(beside)
    if not found:
        raise CalibrationError(
            f"batch {record.batch_id} has no hand sample with readings of float {batch.float_id} within "
            f"{AROUND.seconds // 60} minutes; enter one with: gylewatch sample add"
        )
    return found


def _recalibration_json(
    before: CurveRecord, anchors: list[Anchor], updated: Recalibration, version: int | None
) -> dict[str, object]:
    return {
        "float": before.float_id,
        "from_version": before.version,
        "version": version,
        "shift_points": updated.shift_points,
        "tilt_points": updated.tilt_points,
        "disagreement_sigma": updated.disagreement_sigma,
        "calibration_suspect": updated.disagreement_sigma > SUSPECT_SIGMA,
        "samples": [
            {"time": shown_time(one.time), "gravity_sg": one.gravity_sg, "angle_deg": one.angle_deg, "trust": trust}
            for one, trust in zip(anchors, updated.weights, strict=True)
        ],
        "curve": updated.curve.to_json(),
    }


def _show_recalibration(
    before: CurveRecord, anchors: list[Anchor], updated: Recalibration, version: int | None, batch_id: str
) -> None:
    show_table(
        ("drawn", "angle", "gravity", "trusted"),
        [
            (shown_time(one.time), f"{one.angle_deg:.2f} deg", f"{one.gravity_sg:.4f}", f"{trust:.0%}")
            for one, trust in zip(anchors, updated.weights, strict=True)
        ],
        empty="",
    )
    click.echo(
        f"the curve moves by {updated.shift_points:+.1f} points, and {updated.tilt_points:+.1f} more at its upper end"
    )
    if updated.disagreement_sigma > SUSPECT_SIGMA:
        click.echo(
            f"calibration suspect: samples and version {before.version} disagree by "
            f"{updated.disagreement_sigma:.1f} times what is uncertain; check the float in plain water"
        )
    if version is None:
        click.echo(f"nothing is kept yet; keep it with: gylewatch curve recalibrate {batch_id} --accept")
    else:
        click.echo(
            f"kept as version {version} for the next batches; "
            f"see this one under it with: gylewatch curve reread {batch_id}"
        )


@curves.command("reread")
@click.argument("batch_id", metavar="BATCH")
@click.option("--version", type=VERSION, default=None, help="The newest, if not given.")
@click.option(
    "--use",
    "uses",
    is_flag=True,
    help="From now on read BATCH under it; the service reads it again, also one that has ended.",
)
@json_option
@config_option
def reread(*, batch_id: str, version: int | None, uses: bool, as_json: bool, config: Path) -> None:
    """Show BATCH (its id) under its present curve and under another version side by side."""
    with opened_store(config) as store:
        record = store.batch(BatchId(batch_id))
        present = required_curve(store, record.batch.float_id, record.curve_version)
        other = required_curve(store, record.batch.float_id, version)
        rows = _side_by_side(store, record, present.curve, other.curve)
        if uses:
            _use(store, record, other.version)
    if as_json:
        show_json({"present": present.version, "other": other.version, "used": uses, "days": rows})
        return
    show_table(
        ("day", f"version {present.version}", f"version {other.version}", "difference"),
        [
            (
                f"{row['day']:.0f}",
                f"{row['present_sg']:.4f}",
                f"{row['other_sg']:.4f}",
                f"{(row['other_sg'] - row['present_sg']) / POINT_SG:+.1f} points",
            )
            for row in rows
        ],
        empty="no readings since pitching",
    )
    if uses and other.version == record.curve_version:
        click.echo(f"batch {batch_id} is read under version {other.version} already; nothing changes")
    elif uses:
        click.echo(
            f"batch {batch_id} is read under version {other.version} from now on, and again from its pitching"
            f"{' to its end' if record.ended else ''}: by the service, at once or when it is started next; version "
            f"{present.version} stays"
        )


def _use(store: Store, record: BatchRecord, version: int) -> None:
    """Have a batch read under another version of its curve; raises `InputError` where it could not be."""
    if record.ended is not None and (why := store.why_not_read_again(record.batch_id)):
        raise InputError(f"batch {record.batch_id}", f"{why}; its estimates stay under the curve that it has")
    store.set_batch_curve(record.batch_id, version)


def _side_by_side(store: Store, record: BatchRecord, present: Curve, other: Curve) -> list[dict[str, float]]:
    batch = record.batch
    readings = store.readings(batch.float_id, since=batch.pitched, until=record.ended)
    days: dict[int, list[tuple[float, float]]] = {}
    for reading in readings:
        one, two = (
            gravity_reading(curve, reading, original_gravity_sg=batch.original_gravity_sg).gravity_sg
            for curve in (present, other)
        )
        days.setdefault((reading.time - batch.pitched).days, []).append((one, two))
    return [
        {
            "day": float(day),
            "present_sg": float(np.median([one for one, _ in pairs])),
            "other_sg": float(np.median([two for _, two in pairs])),
        }
        for day, pairs in sorted(days.items())
    ]


@curves.command("picture")
@click.argument("float_name", metavar="FLOAT")
@click.option("--version", type=VERSION, default=None, help="The newest, if not given.")
@json_option
@config_option
def show_picture(*, float_name: str, version: int | None, as_json: bool, config: Path) -> None:
    """Draw FLOAT's curve with its 80 % band, its points and their residuals."""
    with opened_store(config) as store:
        record = required_curve(store, float_name, version)
    drawn = picture(record.curve, record.references)
    if as_json:
        show_json({"float": float_name, "version": record.version, "picture": drawn.splitlines()})
        return
    click.echo(drawn)
    show_table(RESIDUAL_HEADER, residual_rows(record.curve, record.references), empty="")


@curves.command("export")
@click.argument("float_name", metavar="FLOAT")
@click.option("--version", type=VERSION, default=None, help="The newest, if not given.")
@click.option("--json", "_as_json", is_flag=True, help="The output is JSON in any case.")
@config_option
def export_curve(*, float_name: str, version: int | None, _as_json: bool, config: Path) -> None:
    """Print one version of FLOAT's curve with its points as JSON."""
    with opened_store(config) as store:
        record = required_curve(store, float_name, version)
    show_json(
        {
            "format": EXPORT_FORMAT,
            "float": record.float_id,
            "version": record.version,
            "created": utc_text(record.created),
            "who": record.who,
            "note": record.note,
            "curve": record.curve.to_json(),
            "references": [asdict(reference) for reference in record.references],
        }
    )


@curves.command("import")
@click.argument("file", type=FilePath)
@click.option("--who", default=None, help="Who brings it in; else the name you are logged in with.")
@click.option("--note", default=None, help="Else the note it was exported with.")
@json_option
@config_option
def import_curve(*, file: Path, who: str | None, note: str | None, as_json: bool, config: Path) -> None:
    """Keep the curve in FILE, written by 'curve export', as a new version of its float's curve."""
    curve, references, text = _read_export(file)
    with opened_store(config) as store:
        version = store.add_curve(
            curve, references, who=who or user_name(), note=text if note is None else note, created=now()
        )
        warn_of_older(store, curve.float_id)
    if as_json:
        show_json({"float": curve.float_id, "version": version})
    else:
        click.echo(f"kept as version {version} of the curve of float {curve.float_id}")


def _read_export(file: Path) -> tuple[Curve, tuple[Reference, ...], str]:
    try:
        document = json.loads(file.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise InputError(str(file), "there is no such file") from None
    except OSError as error:
        raise InputError(str(file), f"cannot be read ({(error.strerror or str(error)).lower()})") from None
    except UnicodeDecodeError:
        raise InputError(str(file), "is no text; use a file that curve export wrote") from None
    except ValueError as error:
        raise InputError(str(file), f"is not JSON ({error})") from None
    except RecursionError:
        raise InputError(str(file), "is nested too deep for an exported curve; is it the right file?") from None
    if not isinstance(document, dict) or document.get("format") != EXPORT_FORMAT:
        raise InputError(str(file), f"is no exported curve: its format must be {EXPORT_FORMAT!r}")
    try:
        curve = Curve.from_json(document.get("curve", {}))
        references = tuple(Reference(**one) for one in document["references"])
    except CalibrationError as error:
        raise InputError(str(file), str(error)) from None
    except OverflowError:
        raise InputError(str(file), "holds a number of hundreds of digits; export it again") from None
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(str(file), f"its reference points cannot be used ({error}); export it again") from None
    if any(reference.float_id != curve.float_id for reference in references):
        raise InputError(str(file), "its reference points belong to another float than its curve")
    _check_course(file, curve, references)
    return curve, references, str(document.get("note", ""))


def _check_course(file: Path, curve: Curve, references: tuple[Reference, ...]) -> None:
    """Refuse a curve that has nothing to do with its points: a file that was changed by hand."""
    used = [(number, each) for number, each in enumerate(references, 1) if number - 1 not in curve.excluded]
    gravities, _ = curve.evaluate(np.array([each.angle_deg for _, each in used]))
    for (number, each), gravity_sg in zip(used, gravities, strict=True):
        if not abs(gravity_sg - each.gravity_sg) <= MOST_OFF_SG:  # not: nor when it is no number
            raise InputError(str(file), f"its curve runs far past its reference point {number}; export it again")
