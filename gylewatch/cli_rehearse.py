"""``gylewatch rehearse``: other alert settings over recorded batches."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import click

from alerts.settings import AlertSettings, load_alert_settings
from gylewatch.counting import counted
from gylewatch.errors import InputError
from gylewatch.rehearsing import Episode, Pairing, Rehearsal
from gylewatch.rehearsing import rehearse as rehearse_batch
from gylewatch.terminal import (
    FilePath,
    config_option,
    json_option,
    now,
    opened_store,
    show_json,
    show_table,
    shown_time,
)
from gylewatch.values import BatchId, utc_text


@click.command()
@click.option("--settings", "settings_file", type=FilePath, required=True, help="TOML with [alerts.<kind>] tables.")
@click.option("--batch", "batches", multiple=True, help="Only this batch (its id); may be given several times.")
@json_option
@config_option
def rehearse(*, settings_file: Path, batches: tuple[str, ...], as_json: bool, config: Path) -> None:
    """Run other alert settings over recorded batches, and compare what they would have told with what was told.

    Nothing is saved or sent. What was told came from the settings and the program of that time: to see what the
    settings alone change, rehearse those you have now as well. Readings are taken in the order of their time: a silence
    that was told because they came late is not found again.
    """
    settings = _settings(settings_file)
    with opened_store(config) as store:
        chosen = [store.batch(BatchId(each)) for each in batches] or list(store.batches())
        done = [rehearse_batch(store, record, settings, now=now()) for record in chosen if _can(record, batches)]
    if as_json:
        show_json({"batches": [_shape(each) for each in done]})
        return
    rows = [_row(each, pairing) for each in done for pairing in each.pairings]
    show_table(
        ("batch", "kind", "told", "until", "would be told", "until", "difference"),
        rows,
        empty="no alert was told, and none would have been",
    )
    for each in done:
        click.echo(_summary(each))


def _can(record: Any, named: tuple[str, ...]) -> bool:
    # Among all batches one without a curve is passed over; one that was asked for says what it lacks.
    return bool(named) or record.curve_version is not None


def _settings(path: Path) -> AlertSettings:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise InputError(str(path), f"cannot be read ({str(reason).lower()})") from None
    return load_alert_settings(text, str(path))


def _row(rehearsal: Rehearsal, pairing: Pairing) -> tuple[str, ...]:
    return (
        rehearsal.record.batch_id,
        f"{pairing.kind} ({pairing.cause})" if pairing.cause else pairing.kind.value,
        *_period(pairing.recorded),
        *_period(pairing.rehearsed),
        _difference(pairing),
    )


def _period(episode: Episode | None) -> tuple[str, str]:
    if episode is None:
        return "-", "-"
    return shown_time(episode.begin), "open" if episode.end is None else shown_time(episode.end)


def _difference(pairing: Pairing) -> str:
    if pairing.shift is None:
        return "new" if pairing.recorded is None else "not told"
    hours = pairing.shift.total_seconds() / 3600
    return "same" if abs(hours) < 0.05 else f"{abs(hours):.1f} h {'later' if hours > 0 else 'earlier'}"


def _summary(rehearsal: Rehearsal) -> str:
    if not rehearsal.readings:
        return f"{rehearsal.record.batch_id}: none of its readings is stored (any more), so nothing could be rehearsed"
    told = [_difference(pairing) for pairing in rehearsal.pairings]
    new, lost = told.count("new"), told.count("not told")
    same = counted(len(told) - new - lost, "alert")
    return (
        f"{rehearsal.record.batch_id}: {counted(rehearsal.readings, 'reading')}; {same} in both, "
        f"{lost} no longer told, {new} new"
    )


def _shape(rehearsal: Rehearsal) -> dict[str, Any]:
    return {
        "batch": rehearsal.record.batch_id,
        "readings": rehearsal.readings,
        "alerts": [
            {
                "kind": pairing.kind.value,
                "cause": pairing.cause or None,
                "told": _times(pairing.recorded),
                "would_be_told": _times(pairing.rehearsed),
                "later_h": None if pairing.shift is None else round(pairing.shift.total_seconds() / 3600, 3),
            }
            for pairing in rehearsal.pairings
        ],
    }


def _times(episode: Episode | None) -> dict[str, str | None] | None:
    return None if episode is None else {"from": _iso(episode.begin), "until": _iso(episode.end)}


def _iso(time: datetime | None) -> str | None:
    return None if time is None else utc_text(time)
