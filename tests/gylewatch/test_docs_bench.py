"""The two guides of the bench name every command of it, and no option that is not there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from gylewatch import cli
from gylewatch.bench_commands import BENCH_COMMANDS

DOCS = Path(__file__).parents[2] / "docs"
GUIDES = {name: (DOCS / f"{name}.md").read_text(encoding="utf-8") for name in ("calibration", "hand-instruments")}
BOTH = "\n".join(GUIDES.values())


def bench_commands() -> Iterator[tuple[str, click.Command]]:
    """Every command of the bench by its whole name, groups and their commands alike."""
    context = click.Context(cli.cli)
    for name in BENCH_COMMANDS:
        command = cli.cli.get_command(context, name)
        assert command is not None
        yield name, command
        if isinstance(command, click.Group):
            yield from ((f"{name} {sub}", each) for sub, each in command.commands.items())


COMMANDS = dict(bench_commands())


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_of_the_bench_is_in_a_guide(name: str) -> None:
    short = name.removeprefix("calibrate ")
    assert f"`{name}" in BOTH or f"gylewatch {name}" in BOTH or f"`{short}`" in BOTH


def test_every_option_in_the_guides_exists() -> None:
    known = {option for command in COMMANDS.values() for parameter in command.params for option in parameter.opts}

    assert set(re.findall(r"--[a-z][a-z-]+", BOTH)) <= known | {"--help"}


EXAMPLES = re.findall(r"^    gylewatch ((?:solution|correct|prime --).*)$", BOTH, flags=re.MULTILINE)


@pytest.mark.parametrize("line", EXAMPLES)
def test_an_example_in_the_guides_works(line: str) -> None:
    assert cli.run(line.split()) == 0


@pytest.mark.parametrize("name", [name for name, command in COMMANDS.items() if not isinstance(command, click.Group)])
def test_every_command_that_asks_nothing_knows_json(name: str) -> None:
    assert any("--json" in parameter.opts for parameter in COMMANDS[name].params)
