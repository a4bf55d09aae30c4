"""``gylewatch init``, ``serve`` and ``status``."""

from __future__ import annotations

import shlex
from datetime import UTC, timedelta
from pathlib import Path
from typing import Final

import click

from collector.packet import Reason
from fermentation.estimate import Estimate, Phase
from gylewatch.config import read_settings
from gylewatch.config_check import doubts, refuse_unusable
from gylewatch.counting import counted
from gylewatch.errors import ConfigError, DeliveryError, MachineError, StorageError, is_machines
from gylewatch.finish_time import to_the_hour
from gylewatch.first_config import FIRST_CONFIG
from gylewatch.logs import configure
from gylewatch.terminal import (
    DEFAULT_CONFIG,
    config_option,
    json_option,
    now,
    opened_store,
    show_json,
    show_table,
    shown_number,
    shown_time,
    warn,
)
from storage.store import Store
from web import board, words
from web.heat import heat_doubt
from web.shapes import alert_shape, batch_shape, estimate_shape
from web.verdict import Verdict, is_told

_HOUR: Final = timedelta(hours=1)


@click.command()
@click.argument("folder", metavar="[DIR]", type=click.Path(path_type=Path, file_okay=False), default=Path())
def init(*, folder: Path) -> None:
    """Write a commented configuration and an empty database into DIR (here, if not given).

    A configuration that is there is kept; only the database that it names is made, if there is none.
    """
    path = folder / DEFAULT_CONFIG
    made = True
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(FIRST_CONFIG)
    except FileExistsError:
        made = False
    except OSError as error:
        said = f"{path}: cannot be written ({(error.strerror or str(error)).lower()})"
        raise MachineError(f"{said}; check the disk") if is_machines(error) else ConfigError(said) from None
    url = read_settings(path).database_url
    if not made and _is_there(url):
        raise ConfigError(f"{path}: is there already and is not overwritten; choose another folder")
    with Store.open(url) as store:
        click.echo(f"wrote {path} and {store.place}" if made else f"kept {path}; made {store.place}")
    there = "" if folder.resolve() == Path.cwd() else f"cd {shlex.quote(str(folder))}; "
    click.echo(
        f"next: {there}gylewatch float add NAME; gylewatch vessel add NAME; gylewatch curve add (its references); "
        "gylewatch batch add (what is brewed); gylewatch serve"
    )


def _is_there(url: str) -> bool:
    try:
        Store.open(url, create=False).close()
    except StorageError:  # missing or empty; what else is wrong with it, opening it to make it says again
        return False
    return True


@click.command()
@config_option
def serve(*, config: Path) -> None:
    """Run the service until it is stopped with Ctrl-C or SIGTERM. It logs to standard error."""
    from gylewatch.service import serve as run_service  # noqa: PLC0415  loads the web server and the radio libraries

    settings = read_settings(config)
    refuse_unusable(config, settings)
    configure(settings.log)
    run_service(settings)


@click.command()
@json_option
@config_option
def status(*, as_json: bool, config: Path) -> None:
    """Show what is believed about each active batch, and what is open.

    It reads the database, so it works whether the service runs or not. The running service tells more about itself
    on its page and under /api/v1/health. A configuration that cannot be used is refused as at the start of the service.
    """
    whole = read_settings(config)
    refuse_unusable(config, whole)
    settings = whole.alerts
    with opened_store(config) as store:
        records = store.batches(active_only=True)
        latest = {record.batch_id: store.latest_estimate(record.batch_id) for record in records}
        opened = {record.batch_id: store.open_alerts(record.batch_id) for record in records}
        asked = [f"{config}: {doubt}" for doubt in doubts(whole, store)]
        asked += [f"{each.batch_id}: {doubt}" for each in records if (doubt := heat_doubt(store, each))]
        outbox = dict(store.outbox_counts())
        refused = dict(store.rejected_counts())
    for doubt in asked:
        warn(doubt)
    if as_json:
        show_json(
            {
                "batches": [
                    {
                        **batch_shape(record).model_dump(mode="json", by_alias=True),
                        "estimate": estimate_shape(estimate).model_dump(mode="json")
                        if (estimate := latest[record.batch_id])
                        else None,
                        "open_alerts": [
                            alert_shape(alert).model_dump(mode="json") for alert in opened[record.batch_id]
                        ],
                    }
                    for record in records
                ],
                "outbox": outbox,
                "refused": refused,
            }
        )
        return
    rows = [
        (
            record.batch_id,
            Verdict(told=is_told(settings, record, opened[record.batch_id])).phase(estimate.phase)
            if (estimate := latest[record.batch_id])
            else "nothing heard yet",
            f"{words.gravity(estimate.gravity_sg)} ± {words.half_interval(estimate)}" if estimate else "-",
            f"{words.rate(estimate.rate_points_per_day)} points/day" if estimate else "-",
            _ends_at(estimate),
            _finish(estimate),
            words.attenuation(estimate) if estimate else "-",
            shown_number(estimate.temperature_c, 1, " °C") if estimate else "-",
            shown_time(estimate.time) if estimate else "-",
        )
        for record in records
    ]
    header = ("batch", "phase", "gravity", "falls by", "ends at", "finish", "attenuation", "at", "as of")
    show_table(header, rows, empty="no active batches")
    if any(latest.values()):
        click.echo("± is half the 80 % interval; that of the finish stands behind its time.")
    for batch_id, alerts in opened.items():
        for record in board.wanting_room(alerts, now()):
            alert = record.alert
            since = shown_time(alert.time)
            click.echo(f"{batch_id}: alert {record.id}, {alert.severity} since {since}: {alert.summary}")
    click.echo("notifications: " + ", ".join(f"{count} {state.replace('_', ' ')}" for state, count in outbox.items()))
    if left_out := refused.pop(Reason.VALUE_LEFT_OUT, 0):
        click.echo(f"{counted(left_out, 'reading')} kept without a battery or signal that cannot be true")
    if refused:
        click.echo("refused packets: " + ", ".join(f"{count} {reason}" for reason, count in refused.items()))


def _ends_at(estimate: Estimate | None) -> str:
    """The final gravity that is expected, with half its 80 % interval."""
    if estimate is None or estimate.forecast is None:
        return "-"
    return f"{words.gravity(estimate.forecast.final_gravity_sg)} ± {words.half_final(estimate.forecast)}"


def _finish(estimate: Estimate | None) -> str:
    """When the beer is expected to finish, and by how much earlier or later it may be; not of one over or stalled."""
    if estimate is None or estimate.forecast is None or estimate.phase.is_over or estimate.phase is Phase.STALLED:
        return "-"
    forecast = estimate.forecast
    at = forecast.finish_time
    if at is None or forecast.finish_low is None or forecast.finish_high is None:
        return "-"
    earlier, later = ((forecast.finish_low - at) / _HOUR, (forecast.finish_high - at) / _HOUR)
    return f"{shown_time(to_the_hour(at, UTC))} {earlier:+.0f} {later:+.0f} h"


@click.command("notify-test")
@json_option
@config_option
def notify_test(*, as_json: bool, config: Path) -> None:
    """Send a test message over every channel.

    It says which of the [[notify]] entries of the configuration took it.
    """
    from alerts.delivery.apprise_channel import AppriseChannel  # noqa: PLC0415  loads what only this command needs
    from alerts.delivery.channel import trial_notice  # noqa: PLC0415

    entries = read_settings(config).channels
    if not entries:
        raise ConfigError(f"{config}: there is no [[notify]]; add one")
    results: dict[str, str] = {}
    for entry in entries:
        try:
            AppriseChannel(entry.name, entry.url, zone=entry.policy.zone).deliver(trial_notice(now()))
            results[entry.name] = "taken"
        except DeliveryError as error:
            results[entry.name] = error.reason
    if as_json:
        show_json(results)
    else:
        show_table(("channel", "result"), list(results.items()), empty="")
    failed = [name for name, result in results.items() if result != "taken"]
    if failed:
        raise DeliveryError(", ".join(failed), retry=True, reason="did not take the test message; see above")
