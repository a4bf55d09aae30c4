"""``gylewatch capture``: a float's raw packets for support, secrets removed, and what the program makes of them."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from collector.admit import admit_slot
from collector.advert import BleDecoding
from collector.capture import capture_line, captured_packet
from collector.decode import Decoding
from collector.packet import Packet
from gylewatch.capturing import Around, Reader, packets_of
from gylewatch.config import Settings, read_settings
from gylewatch.counting import counted
from gylewatch.errors import ConfigError, InputError, TooEarly
from gylewatch.logs import configure
from gylewatch.quantities import Number
from gylewatch.terminal import FilePath, config_option, json_option, opened_store, show_json, show_table
from gylewatch.values import FloatId, Reading, utc_text

_MOST_BYTES = 100_000_000  # a year of one float at 15 minutes has 10 MB; more is not a capture


class _RecordUnlessNamed(click.Group):
    """``capture FLOAT`` records; ``capture show FILE`` shows."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in self.commands:
            args = ["record", *args]
        return super().resolve_command(ctx, args)


@click.group("capture", cls=_RecordUnlessNamed)
def capture() -> None:
    """Record a float's raw packets for support, and read such a file.

    'gylewatch capture FLOAT --out FILE' records; what looks like a secret is removed. A float that nobody added is
    named by what it sends, over Bluetooth by its address. What a float posts over HTTP is asked of the running
    service; the token that it sends is never in the file.
    """


@capture.command("record")
@click.argument("name", metavar="FLOAT")
@click.option("--out", "target", type=FilePath, required=True, help="Where to write; a file that is there is kept.")
@click.option("--count", type=click.IntRange(min=1), default=None, help="Stop after so many packets.")
@click.option("--minutes", type=Number("minutes", low=0.01, high=10_080.0), default=60.0, show_default=True)
@config_option
def record(*, name: str, target: Path, count: int | None, minutes: float, config: Path) -> None:
    """Record the packets of FLOAT beside the running service, until --count, --minutes or Ctrl-C."""
    settings = read_settings(config)
    if not settings.brokers and settings.ble is None and settings.http.token is None:
        raise ConfigError(
            f"{config}: has neither [[mqtt]] nor [ble], and no token in [http]; there is nothing to listen to"
        )
    reader = _reader(settings, config)
    end_s = time.monotonic() + 60 * minutes
    written, around = 0, Around()

    def is_over() -> bool:
        return (count is not None and written >= count) or time.monotonic() > end_s

    def complain(problem: str) -> None:
        click.echo(f"gylewatch: {problem}", err=True)

    try:
        with target.open("x", encoding="utf-8") as file:
            # What it would log the command says itself, and not among the command's own lines.
            configure(replace(settings.log, level="error"))
            try:
                for packet in packets_of(name, settings, reader, around, is_over=is_over, on_problem=complain):
                    file.write(capture_line(packet) + "\n")
                    file.flush()
                    written += 1
                    if is_over():
                        break
            except KeyboardInterrupt:
                click.echo("", err=True)
    except FileExistsError:
        raise InputError(str(target), "is there already and is not overwritten; choose another file") from None
    except OSError as error:
        raise InputError(str(target), f"cannot be written ({(error.strerror or str(error)).lower()})") from None
    if not written:
        target.unlink(missing_ok=True)  # else it would stand in the way of the next try
        raise TooEarly(name, f"no packet was recorded: {around.why_nothing(name)}")
    click.echo(f"{counted(written, 'packet')} of {name} in {target}; look through it before you pass it on")


@capture.command("show")
@click.argument("source", metavar="FILE", type=FilePath)
@json_option
@config_option
def show(*, source: Path, as_json: bool, config: Path) -> None:
    """Decode and admit the packets in FILE, with the configuration's mappings and keys if there is one.

    Every float counts as known and the clock is that of each packet's arrival, so a capture from elsewhere can be read.
    """
    settings = read_settings(config) if config.exists() else Settings(database_url="")
    reader = _reader(settings, config)
    rows = [(packet, outcome) for packet in _packets(source) for outcome in _outcomes(reader, packet)]
    if as_json:
        show_json({"packets": [_shape(packet, outcome) for packet, outcome in rows]})
        return
    table = [
        (f"{packet.received:%Y-%m-%d %H:%M:%S}Z", packet.source.value, packet.origin, _said(outcome))
        for packet, outcome in rows
    ]
    show_table(("heard", "over", "from", "says"), table, empty="the file holds no packets")


def _packets(source: Path) -> list[Packet]:
    try:
        if source.stat().st_size > _MOST_BYTES:
            raise InputError(str(source), f"is larger than {_MOST_BYTES:,} bytes; is it the right file?")
        lines = source.read_text(encoding="utf-8").splitlines()
    except OSError as error:
        raise InputError(str(source), f"cannot be read ({(error.strerror or str(error)).lower()})") from None
    except UnicodeDecodeError:
        raise InputError(str(source), "is not text; use a file that gylewatch capture wrote") from None
    return [captured_packet(line, f"{source} row {row}") for row, line in enumerate(lines, start=1) if line.strip()]


def _outcomes(reader: Reader, packet: Packet) -> list[Reading | str]:
    found = reader.read(packet)
    if not found:
        return ["no news: the same advertisement again, or another device"]
    outcomes: list[Reading | str] = []
    for each in found:
        names = frozenset({FloatId(each.float_name)}) if each.float_name else frozenset()
        for admitted in admit_slot(each, packet, now=packet.received, known=names):
            if isinstance(admitted, Reading):
                outcomes.append(admitted)
            else:
                outcomes.append(f"refused, {admitted.reason.value}: {admitted.detail}")
    return outcomes


def _said(outcome: Reading | str) -> str:
    if isinstance(outcome, str):
        return outcome
    parts = [f"{outcome.float_id}: {outcome.angle_deg:.2f} deg", f"{outcome.temperature_c:.2f} °C"]
    if outcome.battery_v is not None:
        parts.append(f"{outcome.battery_v:.2f} V")
    if outcome.rssi_dbm is not None:
        parts.append(f"{outcome.rssi_dbm} dBm")
    return ", ".join(parts) + f", measured {outcome.time:%Y-%m-%d %H:%M:%S}Z"


def _shape(packet: Packet, outcome: Reading | str) -> dict[str, Any]:
    shape: dict[str, Any] = {
        "received": utc_text(packet.received),
        "source": packet.source.value,
        "origin": packet.origin,
    }
    if isinstance(outcome, str):
        return {**shape, "reading": None, "refused": outcome}
    reading = {
        "float": outcome.float_id,
        "time": utc_text(outcome.time),
        "angle_deg": outcome.angle_deg,
        "temperature_c": outcome.temperature_c,
        "battery_v": outcome.battery_v,
        "rssi_dbm": outcome.rssi_dbm,
    }
    return {**shape, "reading": reading, "refused": None}


def _reader(settings: Settings, config: Path) -> Reader:
    over_http = Decoding(long_axis=settings.floats.long_axis)  # its packets name no receiver
    return Reader({"": over_http} | settings.decodings(), _ble_decoding(settings, config))


def _ble_decoding(settings: Settings, config: Path) -> BleDecoding:
    if settings.ble is None:
        return BleDecoding()
    with opened_store(config) as store:
        # Without the counters: a capture is a recording, and all of it is older than what the service heard last.
        return settings.ble.decoding([replace(record, counter=None) for record in store.floats()])
