"""``gylewatch compare``: all instruments and the float beside each other."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from gylewatch.comparing import Beside, Row
from gylewatch.errors import InputError
from gylewatch.terminal import (
    config_option,
    json_option,
    opened_store,
    say_plus_minus,
    show_json,
    show_table,
    shown_time,
)
from gylewatch.units import half_points
from gylewatch.values import BatchId, utc_text
from web.comparison import compared


@click.command("compare")
@click.argument("batch_id", metavar="BATCH")
@json_option
@config_option
def compare_instruments(*, batch_id: str, as_json: bool, config: Path) -> None:
    """Compare all instruments and the float, sample by sample, for BATCH (its id): who is off, and the best value."""
    with opened_store(config) as store:
        shown = compared(store, store.batch(BatchId(batch_id)))
    if shown is None:
        raise InputError(
            f"batch {batch_id}", "has no hand sample to compare with; enter one with: gylewatch sample add"
        )
    if as_json:
        show_json(_json(shown))
    else:
        _show(shown)


def _json(shown: Beside) -> dict[str, object]:
    return {
        "samples": [
            {
                "time": utc_text(row.time),
                "measured": [asdict(one) for one in row.measured],
                "comparison": None if row.comparison is None else asdict(row.comparison),
            }
            for row in shown.rows
        ],
        "pairs": [{"first": pair.first, "second": pair.second, **asdict(pair.agreement)} for pair in shown.pairs],
    }


def _show(shown: Beside) -> None:
    rows = [line for row in shown.rows for line in _lines(row)]
    show_table(("drawn", "instrument", "gravity at 20 °C", "off the best"), rows, empty="")
    click.echo("")
    pairs = [
        (
            f"{pair.first} minus {pair.second}",
            str(pair.agreement.count),
            f"{pair.agreement.bias_points:+.1f} ± {pair.half_bias_points:.1f} points",
            f"{pair.agreement.low_points:+.1f} to {pair.agreement.high_points:+.1f} points",
        )
        for pair in shown.pairs
    ]
    show_table(
        ("instruments", "samples", "on average", "19 in 20 between"),
        pairs,
        empty="No two instruments have measured two samples yet; how they differ over time needs that.",
    )
    say_plus_minus()


def _lines(row: Row) -> list[tuple[str, ...]]:
    offsets = (None,) * len(row.measured) if row.comparison is None else row.comparison.offsets_points
    lines: list[tuple[str, ...]] = [
        (
            shown_time(row.time),
            one.name,
            f"{one.gravity_sg:.4f} ± {half_points(one.sd_sg):.1f} points",
            "" if offset is None else f"{offset:+.1f} points",
        )
        for one, offset in zip(row.measured, offsets, strict=True)
    ]
    if row.comparison is not None:
        best = row.comparison
        lines.append(("", "best value", f"{best.best_sg:.4f} ± {half_points(best.sd_sg):.1f} points", best.verdict))
    return lines
