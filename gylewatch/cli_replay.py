"""``gylewatch replay``. Loads neither service nor database: it starts quickly and leaves nothing behind."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import click

from alerts.settings import AlertSettings, load_alert_settings
from fermentation.estimate import Estimate
from gylewatch.errors import InputError
from gylewatch.replay import replay as run_replay

FilePath = click.Path(path_type=Path)


@click.command()
@click.option("--readings", type=FilePath, required=True, help="readings.csv")
@click.option("--references", type=FilePath, required=True, help="references.csv: the float's calibration points.")
@click.option("--batch", type=FilePath, required=True, help="batch.toml")
@click.option("--samples", type=FilePath, default=None, help="samples.csv: hand measurements.")
@click.option("--alert-settings", type=FilePath, default=None, help="TOML with [alerts.<kind>] tables.")
@click.option("--estimates", type=FilePath, required=True, help="Where to write estimates.csv.")
@click.option("--alerts", type=FilePath, required=True, help="Where to write alerts.jsonl.")
@click.option("--progress/--no-progress", default=None, help="Show progress; else only on a terminal.")
def replay(
    *,
    readings: Path,
    references: Path,
    batch: Path,
    samples: Path | None,
    alert_settings: Path | None,
    estimates: Path,
    alerts: Path,
    progress: bool | None,
) -> None:
    """Run recorded readings through the estimator and the alerts.

    The code is that of the live service, the clock is the data's. Both outputs are written at the end, or neither.
    """
    terminal = sys.stderr.isatty()
    shown = terminal if progress is None else progress
    summary = run_replay(
        readings=readings,
        references=references,
        batch=batch,
        samples=samples,
        alert_settings=_alert_settings(alert_settings),
        estimates=estimates,
        alerts=alerts,
        progress=_progress(overwrite=terminal) if shown else None,
    )
    if shown and terminal:
        click.echo("\r\x1b[K", err=True, nl=False)
    click.echo(f"{summary}", err=True)


def _alert_settings(path: Path | None) -> AlertSettings:
    if path is None:
        return AlertSettings()
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise InputError(str(path), f"cannot be read ({str(reason).lower()})") from None
    return load_alert_settings(text, str(path))


def _progress(*, overwrite: bool) -> Callable[[float, Estimate | None], None]:
    shown = -1

    def progress(done: float, estimate: Estimate | None) -> None:
        nonlocal shown
        percent = int(100 * done)
        if percent == shown:
            return
        shown = percent
        belief = (
            "no estimate yet"
            if estimate is None
            else f"{estimate.time:%Y-%m-%d %H:%M}Z  {estimate.gravity_sg:.4f}  {estimate.phase}"
        )
        line = f"{percent:3d} %  {belief}"
        click.echo(f"\r\x1b[K{line}" if overwrite else line, err=True, nl=not overwrite)

    return progress
