"""Commands that name floats, vessels and batches, and list them."""

from __future__ import annotations

import re
from collections.abc import Container, Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Final

import click

from gylewatch.batch_file import read_batch
from gylewatch.batch_rules import (
    WANTED_SINCE,
    changes,
    float_note,
    heat_note,
    why_not_changed,
    why_not_ended,
    why_not_pitched,
)
from gylewatch.cli_renaming import rename_float, rename_vessel
from gylewatch.config import read_settings
from gylewatch.counting import counted
from gylewatch.errors import AlreadyExists, InputError
from gylewatch.quantities import LITRES
from gylewatch.tables import parse_time
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
    usable_name,
    warn,
)
from gylewatch.values import Addition, Batch, BatchId, FloatId, VesselId
from storage.records import FloatRecord, VesselInUse, VesselRecord
from web.planned import addition_words
from web.shapes import batch_shape, float_shape

_ADDRESS: Final = re.compile(r"([0-9A-F]{2}:){5}[0-9A-F]{2}")


@click.group("float")
def floats() -> None:
    """Floats: the tilting sensors, each with the name you give it."""


floats.add_command(rename_float)


def _several(what: str, names: Sequence[str], taken: Container[str]) -> tuple[str, ...]:
    """The names to add, each once; refuses all of them if one cannot be given."""
    wanted = tuple(dict.fromkeys(usable_name(what, name) for name in names))
    for name in wanted:
        if name in taken:
            raise AlreadyExists(what, name)
    return wanted


def _known(names: Sequence[str], what: str) -> str:
    return f"{what} {names[0]} is known" if len(names) == 1 else f"{counted(len(names), what)} are known"


@floats.command("add")
@click.argument("names", nargs=-1, required=True, metavar="NAME...")
@click.option("--note", default="", help="Anything you want to remember about it.")
@click.option(
    "--address", default=None, help="Its radio address, e.g. C0:FF:EE:00:00:01, where it does not send its name."
)
@json_option
@config_option
def add_float(*, names: tuple[str, ...], note: str, address: str | None, as_json: bool, config: Path) -> None:
    """Make the float NAME known, or several; from then on their readings are accepted."""
    if address is not None and len(names) > 1:
        raise InputError("--address", "is of one float; add each float that has one by itself")
    address = None if address is None else _radio_address(address)
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
        click.echo(f"{_known(wanted, 'float')}; calibrate {them} with: gylewatch curve add references.csv")


def _radio_address(typed: str) -> str:
    """As the radio tells it: a float with an address written in another way would be known, and never heard."""
    address = typed.strip().upper().replace("-", ":")
    if not _ADDRESS.fullmatch(address):
        raise InputError("--address", f"{typed[:40]!r} is no radio address; write it like C0:FF:EE:00:00:01")
    return address


@floats.command("list")
@json_option
@config_option
def list_floats(*, as_json: bool, config: Path) -> None:
    """List the known floats with their newest reading."""
    with opened_store(config) as store:
        shapes = [float_shape(record, store.latest_reading(record.float_id)) for record in store.floats()]
        lies_in = {each.batch.float_id: each for each in store.batches(active_only=True)}
    if as_json:
        show_json(shapes)
        return
    rows = [
        (
            shape.float_id,
            f"{there.batch.vessel}: {there.batch_id}" if (there := lies_in.get(FloatId(shape.float_id))) else "-",
            shown_time(shape.last_heard),
            shown_number(shape.battery_v, 2, " V"),
            shown_number(shape.rssi_dbm, 0, " dBm"),
            shape.address or "-",
            shape.note,
        )
        for shape in shapes
    ]
    show_table(
        ("float", "in", "last heard", "battery", "signal", "address", "note"),
        rows,
        empty="no floats yet; add one: gylewatch float add",
    )


@floats.command("remove")
@click.argument("name")
@json_option
@config_option
def remove_float(*, name: str, as_json: bool, config: Path) -> None:
    """Remove the float NAME that was named by mistake: one that no batch had, that was not heard and not calibrated."""
    with opened_store(config) as store:
        store.remove_float(FloatId(name))
    _show_removed("float", name, as_json=as_json)


def _show_removed(what: str, name: str, *, as_json: bool) -> None:
    if as_json:
        show_json({what: name, "removed": True})
    else:
        click.echo(f"{what} {name} is removed")


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


vessels.add_command(rename_vessel)


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
        click.echo(_known(wanted, "vessel"))


@vessels.command("list")
@json_option
@config_option
def list_vessels(*, as_json: bool, config: Path) -> None:
    """List the known vessels."""
    with opened_store(config) as store:
        records = store.vessels()
        holds = {each.batch.vessel: each.batch_id for each in store.batches(active_only=True)}
    if as_json:
        show_json({"vessels": [{"vessel": v.vessel_id, "volume_l": v.volume_l, "note": v.note} for v in records]})
        return
    rows = [(v.vessel_id, shown_number(v.volume_l, 1, " l"), holds.get(v.vessel_id, "-"), v.note) for v in records]
    show_table(("vessel", "volume", "holds", "note"), rows, empty="no vessels yet; add one: gylewatch vessel add")


@vessels.command("remove")
@click.argument("name")
@json_option
@config_option
def remove_vessel(*, name: str, as_json: bool, config: Path) -> None:
    """Remove the vessel NAME that was named by mistake: one that no batch is or was in."""
    with opened_store(config) as store:
        store.remove_vessel(VesselId(name))
    _show_removed("vessel", name, as_json=as_json)


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
    _check_pitched(file, batch)
    with opened_store(config) as store:
        others = [(other.batch, other.ended) for other in store.batches()]
        record = store.add_batch(batch, created=now())
    remedy = f"correct the file and change the batch: gylewatch batch change {record.batch_id} {file}"
    warn(float_note(batch, others, f"correct that end (gylewatch batch end, with --time), or {remedy}"))
    warn(heat_note(batch, remedy))
    if as_json:
        show_json(batch_shape(record))
        return
    click.echo(f"batch {record.batch_id} is watched")
    _tell_additions(batch.additions)
    if record.curve_version is None:
        click.echo(f"float {batch.float_id} has no curve yet: calibrate it with: gylewatch curve add references.csv")


@batches.command("change")
@click.argument("batch_id", metavar="BATCH")
@click.argument("file", type=FilePath)
@click.option(
    "--swap", is_flag=True, help="The beer in the vessel that FILE names goes into the one that BATCH leaves."
)
@json_option
@config_option
def change_batch(*, batch_id: str, file: Path, swap: bool, as_json: bool, config: Path) -> None:
    """Let BATCH (its id) go on with what FILE (batch.toml) says now: a plan step, an addition, another wanted range.

    A running service takes it up within seconds, and reads the batch again where its past is concerned. The id stays,
    also under another name. What the file leaves open stays as it is: original gravity and instruments.
    """
    with opened_store(config) as store:
        before = store.batch(BatchId(batch_id))
        if why := why_not_changed(before.ended):
            raise InputError(f"batch {batch_id}", f"{why}: gylewatch batch reopen {batch_id}")
        batch = read_batch(file, instruments=before.batch.instruments)
        _check_pitched(file, batch)
        if batch.original_gravity_sg is None:  # it may have been entered by gylewatch brewday pitch
            batch = replace(batch, original_gravity_sg=before.batch.original_gravity_sg)
        others = [(other.batch, other.ended) for other in store.batches()]
        there = store.active_batch_in(batch.vessel) if swap and batch.vessel != before.batch.vessel else None
        try:
            record = store.replace_batch(before, batch, swap=there.batch_id if there else None)
        except VesselInUse as error:
            raise InputError(f"batch {batch_id}", f"{error}; if the two change places, add --swap") from None
    remedy = f"correct the file and change it again: gylewatch batch change {batch_id} {file}"
    if (before.batch.float_id, before.batch.pitched) != (record.batch.float_id, record.batch.pitched):
        warn(float_note(record.batch, others, f"correct that end (gylewatch batch end, with --time), or {remedy}"))
    warn(heat_note(record.batch, remedy))
    if before.batch.temperature_c != record.batch.temperature_c:
        warn(
            f"temperature_c {WANTED_SINCE}write a step of its own: [[batch.plan]] with "
            f"from = {now():%Y-%m-%dT%H:%M:00Z} and temperature_c"
        )
    if as_json:
        show_json(batch_shape(record))
        return
    if there is not None:
        click.echo(f"batch {there.batch_id}: vessel changed to {before.batch.vessel}")
    changed = changes(before.batch, record.batch)
    click.echo(f"batch {batch_id}: {', '.join(changed)} changed" if changed else f"batch {batch_id} is as {file} says")
    _tell_additions(each for each in record.batch.additions if each not in before.batch.additions)


def _tell_additions(additions: Iterable[Addition]) -> None:
    """Each with its rise, which may have been computed from grams."""
    for each in additions:
        click.echo(f"added {shown_time(each.time)}: {addition_words(each)}")


def _check_pitched(file: Path, batch: Batch) -> None:
    if why := why_not_pitched(batch, now()):
        raise InputError(str(file), f"batch.pitched = {why} (Z is UTC)")


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
        before = store.batch(BatchId(batch_id))
        if why := why_not_ended(before.batch, time, now()):
            raise InputError("--time", why)
        record = store.end_batch(BatchId(batch_id), time)
    if as_json:
        show_json(batch_shape(record))
    else:
        corrected = f", and no longer at {shown_time(before.ended)}" if before.ended else ""
        click.echo(f"batch {record.batch_id} ended at {shown_time(record.ended)}{corrected}")


@batches.command("reopen")
@click.argument("batch_id", metavar="BATCH")
@json_option
@config_option
def reopen_batch(*, batch_id: str, as_json: bool, config: Path) -> None:
    """Watch BATCH (its id) again, that was ended by mistake or too early.

    It is read again from its readings, and its open alerts are open as before; nothing is told twice. What its float
    has measured since is taken for this beer: reopen it only if the float has lain in it all the time.
    """
    with opened_store(config) as store:
        record = store.reopen_batch(BatchId(batch_id), now())
    if as_json:
        show_json(batch_shape(record))
    else:
        click.echo(f"batch {record.batch_id} is watched again, and read again from its readings")


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
