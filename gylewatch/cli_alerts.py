"""``gylewatch alert``: what is open, and what a person does about it."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import click

from gylewatch.errors import InputError
from gylewatch.quantities import Number
from gylewatch.terminal import (
    config_option,
    json_option,
    now,
    opened_store,
    show_json,
    show_table,
    shown_time,
    user_name,
)
from gylewatch.values import BatchId
from storage.records import AlertRecord
from storage.store import Store
from web.shapes import alert_shape

SHOWN = 50


class _AlertNumber(click.IntRange):
    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if isinstance(value, str) and not value.strip().isdecimal():
            self.fail(f"{value!r} is no alert's number; gylewatch alert list shows the numbers", param, ctx)
        return super().convert(value, param, ctx)


ALERT_NUMBER = _AlertNumber(1, 2**62)


@click.group("alert")
def alerts() -> None:
    """Alerts: what is open, and what you have done about it."""


@alerts.command("list")
@click.argument("batch", metavar="[BATCH]", required=False)
@click.option("--all", "everything", is_flag=True, help="Also what is over; else only what is open.")
@json_option
@config_option
def list_alerts(*, batch: str | None, everything: bool, as_json: bool, config: Path) -> None:
    """List the open alerts of BATCH (its id), or of every active batch, each with the number to name it by."""
    with opened_store(config) as store:
        records = _alerts(store, batch, everything=everything)
    if as_json:
        show_json([alert_shape(record) for record in records])
        return
    rows = [
        (
            str(record.id),
            record.batch_id,
            shown_time(record.alert.time),
            record.alert.severity.value,
            ("over: " if record.alert.resolves else "") + record.alert.kind.value,
            _done_about(record),
            record.alert.summary,
        )
        for record in records
    ]
    show_table(
        ("alert", "batch", "since", "severity", "kind", "done about it", "summary"), rows, empty="no alert is open"
    )


def _alerts(store: Store, batch: str | None, *, everything: bool) -> tuple[AlertRecord, ...]:
    records = store.batches(active_only=True) if batch is None else (store.batch(BatchId(batch)),)
    ids = [record.batch_id for record in records]
    if everything:
        return tuple(alert for batch_id in ids for alert in store.alerts(batch_id, limit=SHOWN))
    opened = store.open_alerts_of(ids)
    return tuple(alert for batch_id in ids for alert in opened.get(batch_id, ()))


def _done_about(record: AlertRecord) -> str:
    parts = []
    if record.acknowledged_at is not None:
        parts.append(f"seen by {record.acknowledged_by or 'somebody'}")
    if record.snoozed_until is not None and record.snoozed_until > now():
        parts.append(f"snoozed until {shown_time(record.snoozed_until)}")
    return ", ".join(parts) or "-"


def _is_over(store: Store, number: int) -> bool:
    batches = store.batches()
    known = {each.id for batch in batches for each in store.alerts(batch.batch_id)}
    still_open = {each.id for batch in batches for each in store.open_alerts(batch.batch_id)}
    return number in known and number not in still_open


@alerts.command("acknowledge")
@click.argument("number", metavar="ALERT", type=ALERT_NUMBER)
@click.option("--who", default=None, help="Who has seen it; else the name you are logged in with.")
@json_option
@config_option
def acknowledge(*, number: int, who: str | None, as_json: bool, config: Path) -> None:
    """Say that you have seen ALERT (its number in the list): no reminder follows, and no second line is told."""
    name, time = who or user_name(), now()
    with opened_store(config) as store:
        if _is_over(store, number):
            raise InputError(f"alert {number}", "is over already, so there is nothing to acknowledge")
        store.acknowledge_alert(number, who=name, time=time)
    if as_json:
        show_json({"alert": number, "acknowledged_at": time.isoformat(), "acknowledged_by": name})
    else:
        click.echo(f"alert {number} is acknowledged by {name}; nobody is reminded of it any more")


@alerts.command("snooze")
@click.argument("number", metavar="ALERT", type=ALERT_NUMBER)
@click.option("--hours", type=Number("hours", low=0.1, high=720.0), default=8.0, show_default=True)
@click.option("--end", is_flag=True, help="End the snooze.")
@json_option
@config_option
def snooze(*, number: int, hours: float, end: bool, as_json: bool, config: Path) -> None:
    """Let ALERT (its number in the list) rest: nothing is told of it until then, and then again if it is still open."""
    until = None if end else now() + timedelta(hours=hours)
    with opened_store(config) as store:
        if not end and _is_over(store, number):
            raise InputError(f"alert {number}", "is over already, so there is nothing to snooze")
        store.snooze_alert(number, until=until)
    if as_json:
        show_json({"alert": number, "snoozed_until": None if until is None else until.isoformat()})
    elif until is None:
        click.echo(f"alert {number} is no longer snoozed; while it is open it is told again now")
    else:
        click.echo(
            f"alert {number} rests until {shown_time(until)} and is told again then if it is still open; "
            "if it becomes graver you are told at once"
        )
