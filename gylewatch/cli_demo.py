"""``gylewatch demo``."""

from __future__ import annotations

import click

from gylewatch.demo import run_demo
from gylewatch.logs import LogSettings, configure


@click.command()
@click.option("--broker", default=None, metavar="HOST:PORT", help="Use this MQTT broker instead of an own one.")
@click.option("--port", type=click.IntRange(0, 65535), default=None, help="Of the page; else 8220 or any free one.")
@click.option("--exit-when-finished", is_flag=True, help="End when a finished fermentation has been notified.")
def demo(*, broker: str | None, port: int | None, exit_when_finished: bool) -> int:
    """Watch three simulated beers ferment at high speed: real messages, the real service, nothing left behind."""
    configure(LogSettings(level="warning"))
    finished = run_demo(broker=broker, port=port, exit_when_finished=exit_when_finished, say=click.echo)
    return 1 if exit_when_finished and not finished else 0
