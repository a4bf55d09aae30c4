"""``gylewatch float rename`` and ``gylewatch vessel rename``."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from gylewatch.config import read_settings
from gylewatch.errors import InputError
from gylewatch.naming import Named, Naming
from gylewatch.terminal import config_option, json_option, opened_store, show_json, usable_name
from gylewatch.values import FloatId, VesselId
from storage.store import Store


@click.command("rename")
@click.argument("name")
@click.argument("new")
@json_option
@config_option
def rename_float(*, name: str, new: str, as_json: bool, config: Path) -> None:
    """Call the float NAME from now on NEW: its readings, curves and batches go along.

    A running service takes it up within seconds, and reads its active batch again. Where the float sends its name, let
    it send the new one: what still comes under the old one is of an unknown float.
    """
    naming = read_settings(config).naming()
    with _renaming("float", name, new, naming, config) as store:
        address = next((record.address for record in store.floats() if record.float_id == name), None)
        store.rename_float(FloatId(name), FloatId(new))
    _show("float", name, new, naming.to_change("float", name, new, address=address), as_json=as_json)


@click.command("rename")
@click.argument("name")
@click.argument("new")
@json_option
@config_option
def rename_vessel(*, name: str, new: str, as_json: bool, config: Path) -> None:
    """Call the vessel NAME from now on NEW: its batches, and what its own probe measured, go along."""
    naming = read_settings(config).naming()
    with _renaming("vessel", name, new, naming, config) as store:
        store.rename_vessel(VesselId(name), VesselId(new))
    _show("vessel", name, new, naming.to_change("vessel", name, new), as_json=as_json)


@contextmanager
def _renaming(what: Named, name: str, new: str, naming: Naming, config: Path) -> Iterator[Store]:
    """The store, once nothing is in the way.

    A name that was just written into the configuration is not known to a service that runs: it must be stopped first.
    """
    usable_name(what, new)
    if why := naming.why_not_renamed(what, name, new):
        raise InputError(f"{what} {name}", why)
    with opened_store(config) as store:
        let_go = store.claim() if naming.table_of(what, new) else None
        try:
            yield store
        finally:
            if let_go is not None:
                let_go()


def _show(what: Named, name: str, new: str, to_change: tuple[str, ...], *, as_json: bool) -> None:
    if as_json:
        show_json({what: new, "renamed_from": name, "to_change": to_change})
        return
    click.echo(f"{what} {name} is called {new} now; all that belongs to it goes along")
    for sentence in to_change:
        click.echo(sentence)
