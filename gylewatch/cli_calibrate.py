"""``gylewatch calibrate``: the guided session, and the same steps one by one for scripts."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import click

from calibration import session as sessions
from calibration.curve import Curve
from calibration.session import Session, to_json
from gylewatch.bench import SESSION_HEADER, Bench, bench, fit_sentence, session_rows
from gylewatch.cli_curve_versions import warn_of_older
from gylewatch.curve_picture import RESIDUAL_HEADER, picture, residual_rows
from gylewatch.errors import InputError, NotFound
from gylewatch.guide import SOLUTION_SG, Guide, ask_for_solutions
from gylewatch.quantities import Number
from gylewatch.terminal import config_option, json_option, now, opened_store, show_json, show_table, user_name
from gylewatch.units import POINT_SG
from storage.store import Store

SD_POINTS = Number("points", low=0.0, high=20.0)
WINDOW_MINUTES = Number("min", low=0.5, high=240.0)

float_argument = click.argument("float_name", metavar="FLOAT")
place_argument = click.argument("place", type=click.IntRange(1, 99))


def gravity_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options that describe the set of solutions."""
    for option in (
        click.option("--gravity-sd-points", type=SD_POINTS, default=None, help="Uncertainty of each of them."),
        click.option("--gravity", "gravities", type=SOLUTION_SG, multiple=True, help="Of a solution; repeat it."),
    ):
        command = option(command)
    return command


window_option = click.option(
    "--window-minutes",
    type=WINDOW_MINUTES,
    default=3.0,
    show_default=True,
    help="Readings of so many minutes are judged; more for a float that reports seldom.",
)


@click.group(invoke_without_command=True)
@click.option("--float", "float_name", default=None, help="Which float; asked for if there are several.")
@gravity_options
@window_option
@click.option("--patience-minutes", type=WINDOW_MINUTES, default=15.0, show_default=True, help="Wait so long for rest.")
@click.option("--who", default=None, help="Who calibrates; else the name you are logged in with.")
@click.option("--note", default="", help="Kept with the curve.")
@config_option
@click.pass_context
def calibrate(
    ctx: click.Context,
    *,
    float_name: str | None,
    gravities: tuple[float, ...],
    gravity_sd_points: float | None,
    window_minutes: float,
    patience_minutes: float,
    who: str | None,
    note: str,
    config: Path,
) -> None:
    """Calibrate a float in reference solutions, guided step by step; a restart goes on where you were."""
    ctx.obj = config
    if ctx.invoked_subcommand is not None:
        return
    with opened_store(config) as store:
        the_bench = bench(store, _which(store, float_name), timedelta(minutes=window_minutes))
        session = store.calibration(the_bench.float_id)
        if session is None:
            session = the_bench.begin(
                gravities or ask_for_solutions(), gravity_sd_sg=_sg(gravity_sd_points), begun=now()
            )
        elif gravities:
            the_bench.begin(gravities, gravity_sd_sg=None, begun=now())  # refuses and says what to do
        else:
            click.echo(f"going on with the calibration of {the_bench.float_id} begun {session.begun:%Y-%m-%d %H:%M}Z")
        guide = Guide(bench=the_bench, now=now, patience=timedelta(minutes=patience_minutes), who=who, note=note)
        version = guide.run(session)
        if version is not None:
            warn_of_older(store, the_bench.float_id)
    if version is not None:
        click.echo(f"kept as version {version} of the curve of float {the_bench.float_id}")


def _which(store: Store, float_name: str | None) -> str:
    known = [record.float_id for record in store.floats()]
    if float_name is not None:
        return float_name
    if not known:
        raise NotFound("float", "", "add one first with: gylewatch float add")
    if len(known) == 1:
        return known[0]
    chosen: str = click.prompt("Which float?", type=click.Choice(known))
    return chosen


@calibrate.command("begin")
@float_argument
@gravity_options
@json_option
@config_option
def begin(
    *, float_name: str, gravities: tuple[float, ...], gravity_sd_points: float | None, as_json: bool, config: Path
) -> None:
    """Begin a calibration of FLOAT with a set of solutions."""
    with opened_store(config) as store:
        session = bench(store, float_name).begin(gravities, gravity_sd_sg=_sg(gravity_sd_points), begun=now())
    _show(session, as_json=as_json)


@calibrate.command("status")
@float_argument
@window_option
@json_option
@config_option
def status(*, float_name: str, window_minutes: float, as_json: bool, config: Path) -> None:
    """Show the calibration of FLOAT in progress, and whether the float rests now."""
    with opened_store(config) as store:
        the_bench = bench(store, float_name, timedelta(minutes=window_minutes))
        session = the_bench.session()
        rest = the_bench.rest(session, now())
    if as_json:
        show_json({**_session_json(session), "settled": rest.settled, "reason": rest.reason})
        return
    _show(session, as_json=False)
    click.echo(rest.reason)


@calibrate.command("take")
@float_argument
@click.option("--place", type=click.IntRange(1, 99), default=None, help="Of the solution; else the next one.")
@window_option
@json_option
@config_option
def take(*, float_name: str, place: int | None, window_minutes: float, as_json: bool, config: Path) -> None:
    """Take the settled FLOAT's point in the next solution, or again in the one at --place."""
    with opened_store(config) as store:
        the_bench = bench(store, float_name, timedelta(minutes=window_minutes))
        session = the_bench.session()
        where = session.next_place if place is None else place
        if where is None:
            raise InputError("calibrate take", "all points are taken; name the one to take again with --place")
        rest = the_bench.rest(session, now())
        session = the_bench.keep(sessions.take(session, where, rest, taken=now()))
    _show(session, as_json=as_json)


@calibrate.command("redo")
@float_argument
@place_argument
@json_option
@config_option
def redo(*, float_name: str, place: int, as_json: bool, config: Path) -> None:
    """Forget FLOAT's point at PLACE, so that it is measured again."""
    _change(config, float_name, lambda session: sessions.redo(session, place), as_json=as_json)


@calibrate.command("drop")
@float_argument
@place_argument
@json_option
@config_option
def drop(*, float_name: str, place: int, as_json: bool, config: Path) -> None:
    """Leave the solution at PLACE out of FLOAT's calibration."""
    _change(config, float_name, lambda session: sessions.drop(session, place), as_json=as_json)


@calibrate.command("fit")
@float_argument
@click.option("--accept", is_flag=True, help="Keep the curve as a new version; else it is only shown.")
@click.option("--who", default=None, help="Who calibrated; else the name you are logged in with.")
@click.option("--note", default="", help="Kept with the curve.")
@json_option
@config_option
def fit(*, float_name: str, accept: bool, who: str | None, note: str, as_json: bool, config: Path) -> None:
    """Show the curve through the points of FLOAT taken so far, and keep it with --accept."""
    with opened_store(config) as store:
        the_bench = bench(store, float_name)
        session = the_bench.session()
        curve = the_bench.fit(session)
        version = _accept(the_bench, session, curve, who, note) if accept else None
        if accept:
            warn_of_older(store, the_bench.float_id)
    if as_json:
        show_json({"version": version, "curve": curve.to_json()})
        return
    click.echo(picture(curve, session.references))
    show_table(RESIDUAL_HEADER, residual_rows(curve, session.references), empty="")
    click.echo(fit_sentence(curve))
    for reason in curve.excluded_reasons:
        click.echo(reason)
    click.echo("nothing is saved yet; keep it with --accept" if version is None else f"kept as version {version}")


@calibrate.command("cancel")
@float_argument
@json_option
@config_option
def cancel(*, float_name: str, as_json: bool, config: Path) -> None:
    """Forget the calibration of FLOAT in progress; curves that were accepted stay."""
    with opened_store(config) as store:
        the_bench = bench(store, float_name)
        session = the_bench.session()
        the_bench.forget()
    if as_json:
        show_json({"cancelled": _session_json(session)})
    else:
        click.echo(f"the calibration of {float_name} in progress is forgotten")


def _accept(the_bench: Bench, session: Session, curve: Curve, who: str | None, note: str) -> int:
    return the_bench.accept(session, curve, who=who or user_name(), note=note, created=now())


def _change(config: Path, float_name: str, change: Callable[[Session], Session], *, as_json: bool) -> None:
    with opened_store(config) as store:
        the_bench = bench(store, float_name)
        session = the_bench.keep(change(the_bench.session()))
    _show(session, as_json=as_json)


def _sg(points: float | None) -> float | None:
    return None if points is None else points * POINT_SG


def _session_json(session: Session) -> dict[str, Any]:
    return {**to_json(session), "next_place": session.next_place}


def _show(session: Session, *, as_json: bool) -> None:
    if as_json:
        show_json(_session_json(session))
        return
    show_table(SESSION_HEADER, session_rows(session), empty="no solutions are left")
    place = session.next_place
    click.echo("all points are taken" if place is None else f"next: solution {place}")
