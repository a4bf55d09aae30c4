"""What every command shares at the terminal: options, the opened database, and how records are shown."""

from __future__ import annotations

import getpass
import json
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TypeVar

import click
from pydantic import BaseModel

from gylewatch.config import read_settings
from gylewatch.errors import InputError
from gylewatch.values import check_name, minute_text
from storage.store import Store

DEFAULT_CONFIG: Final = "gylewatch.toml"
CONFIG_VARIABLE: Final = "GYLEWATCH_CONFIG"

Command = TypeVar("Command", bound=Callable[..., Any])

FilePath = click.Path(path_type=Path, dir_okay=False)


def config_option(command: Command) -> Command:
    """The option ``--config FILE``."""
    return click.option(
        "--config",
        "config",
        type=FilePath,
        envvar=CONFIG_VARIABLE,
        default=Path(DEFAULT_CONFIG),
        show_default=f"./{DEFAULT_CONFIG}, or ${CONFIG_VARIABLE}",
        help="The configuration file.",
    )(command)


def json_option(command: Command) -> Command:
    """The option ``--json``."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON, as the HTTP API gives it.")(command)


@contextmanager
def opened_store(config: Path) -> Iterator[Store]:
    """The database that a configuration names.

    Raises
    ------
    ConfigError
        The configuration cannot be used.
    StorageError
        The database cannot be opened, or is not there yet.
    """
    store = Store.open(read_settings(config).database_url, create=False)
    try:
        yield store
    finally:
        store.close()


def now() -> datetime:
    return datetime.now(UTC)


def user_name() -> str:
    """Who works at this terminal, for records that keep it."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):  # a container's user may have no name
        return f"user {os.getuid()}"


def usable_name(what: str, name: str) -> str:
    """A name that was typed for a float or vessel; `InputError`: it cannot be one."""
    try:
        return check_name(what, name)
    except ValueError as error:
        raise InputError(what, str(error)) from None


def show_json(shown: BaseModel | Sequence[BaseModel] | dict[str, Any]) -> None:
    """Print one JSON document."""
    content: Any
    if isinstance(shown, dict):
        content = shown
    elif isinstance(shown, Sequence):
        content = [each.model_dump(mode="json", by_alias=True) for each in shown]
    else:
        content = shown.model_dump(mode="json", by_alias=True)
    click.echo(json.dumps(content, ensure_ascii=False, indent=2))


def warn(note: str) -> None:
    """Say something to be looked at, beside the output; nothing where there is nothing to say."""
    if note:
        click.echo(note, err=True)


def show_table(header: Sequence[str], rows: Sequence[Sequence[str]], *, empty: str) -> None:
    """Print aligned columns, or one sentence where there is nothing."""
    if not rows:
        click.echo(empty)
        return
    widths = [max(len(line[column]) for line in (header, *rows)) for column in range(len(header))]
    for line in (header, *rows):
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip())


def say_plus_minus() -> None:
    """What ± is, beside what was measured by hand as beside what is believed."""
    click.echo("± is half the 80 % interval.")


def shown_time(time: datetime | None) -> str:
    """A time to the minute in UTC, for tables; ``-`` where there is none."""
    return "-" if time is None else minute_text(time)


def shown_number(value: float | None, digits: int, unit: str = "") -> str:
    return "-" if value is None else f"{value:.{digits}f}{unit}"
