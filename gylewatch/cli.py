"""The command ``gylewatch``: which commands there are, exit codes, and errors of one line.

Exit codes: 0 done; 2 something given must be changed (arguments, files, configuration, a name);
1 it could not be done now and may work later (database locked, disk full, broker away); 70 a fault of the program;
130 stopped with Ctrl-C.
"""

from __future__ import annotations

import difflib
import importlib
import sys
import traceback
from collections.abc import Sequence
from typing import Any, Final, NoReturn

import click

from gylewatch.bench_commands import BENCH_COMMANDS
from gylewatch.errors import DeliveryError, GylewatchError, MachineError, StorageError, TooEarly, TransportError

DONE, LATER, CHANGE, FAULT, STOPPED = 0, 1, 2, 70, 130

# Where each command lives, so that only what is called is loaded: a page of help must not wait for a web server.
COMMANDS: Final = {
    "init": ("gylewatch.cli_service:init", "Write a commented configuration and an empty database."),
    "serve": ("gylewatch.cli_service:serve", "Run the service until it is stopped."),
    "status": ("gylewatch.cli_service:status", "Show what is believed about each active batch, and what is open."),
    "notify-test": ("gylewatch.cli_service:notify_test", "Send a test message over every channel."),
    "demo": ("gylewatch.cli_demo:demo", "Watch three simulated beers ferment at high speed."),
    "replay": ("gylewatch.cli_replay:replay", "Run recorded readings through the estimator and the alerts."),
    "float": ("gylewatch.cli_brewery:floats", "Floats: the tilting sensors, each with the name you give it."),
    "vessel": ("gylewatch.cli_brewery:vessels", "Vessels: the fermenters."),
    "batch": ("gylewatch.cli_brewery:batches", "Batches: one beer in one vessel, from pitching to packaging."),
    "sample": ("gylewatch.cli_samples:samples", "Samples: hand measurements, as read, before any correction."),
    "alert": ("gylewatch.cli_alerts:alerts", "Alerts: what is open, and what you have done about it."),
    "rehearse": ("gylewatch.cli_rehearse:rehearse", "Run other alert settings over recorded batches."),
    "capture": ("gylewatch.cli_capture:capture", "Record a float's raw packets for support, and read such a file."),
    **BENCH_COMMANDS,
}


class _Commands(click.Group):
    """A group whose commands are loaded when they are called."""

    def list_commands(self, _: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, _, name = COMMANDS[cmd_name][0].partition(":")
        command: click.Command = getattr(importlib.import_module(module), name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        near = difflib.get_close_matches(args[0], COMMANDS, n=1)
        if args[0] not in COMMANDS and near:
            raise click.UsageError(f"there is no command {args[0]!r}; did you mean {near[0]!r}?", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, _: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=_Commands, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="gylewatch", message="%(prog)s %(version)s")
@click.option("--debug", is_flag=True, help="Show the traceback of a fault of the program.")
@click.pass_context
def cli(ctx: click.Context, debug: bool) -> None:
    """Watch fermenting beer through tilting floats: gravity, rate, forecast and alerts, with honest intervals."""
    del debug  # looked at by `main`, which must know it even if the arguments cannot be parsed
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command line and end the process with its exit code."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    sys.exit(run(given))


def run(arguments: Sequence[str]) -> int:
    """Run the command line; whatever goes wrong becomes one line on standard error and an exit code."""
    try:
        result: Any = cli.main(args=list(arguments), prog_name="gylewatch", standalone_mode=False)
    except (Exception, KeyboardInterrupt) as error:  # the last line of defence: nobody sees a traceback unasked
        code, text = answer(error)
        if code == FAULT and "--debug" in arguments:
            traceback.print_exc()
        if text:
            complain(text)
        return code
    return result if isinstance(result, int) else DONE


def answer(error: BaseException) -> tuple[int, str]:
    """The exit code for an error, and the sentence that a person gets; empty where none is needed."""
    if isinstance(error, click.UsageError):
        path = error.ctx.command_path if error.ctx else "gylewatch"
        return CHANGE, f"{_usage(error)} (help: {path} --help)"
    if isinstance(error, click.ClickException):
        return CHANGE, error.format_message()
    if isinstance(error, click.Abort | KeyboardInterrupt):
        return STOPPED, ""
    if isinstance(error, GylewatchError):
        return (LATER if _may_work_later(error) else CHANGE), str(error)
    fault = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    return FAULT, f"fault of the program ({fault}); please report it with what 'gylewatch --debug ...' shows"


def _usage(error: click.UsageError) -> str:
    if isinstance(error, click.NoSuchOption) and error.ctx is not None:
        return _no_such_option(error.option_name, error.ctx)
    if isinstance(error, click.exceptions.NoArgsIsHelpError) and isinstance(error.ctx.command, click.Group):
        return f"say what to do: {', '.join(error.ctx.command.list_commands(error.ctx))}"
    return error.format_message()


def _no_such_option(typed: str, ctx: click.Context) -> str:
    options = [each for each in ctx.command.params if isinstance(each, click.Option)]
    known = [name for each in options for name in (*each.opts, *each.secondary_opts) if name.startswith("--")]
    # Without the dashes: they would make any two short names alike.
    word, words = typed.strip("-"), [name.strip("-") for name in known]
    near = [each for each in words if each.startswith(word)] or difflib.get_close_matches(word, words)
    hint = f"did you mean --{near[0]}?" if near else f"there are {', '.join(known)}"
    return f"there is no option {typed!r} here; {hint}"


def _may_work_later(error: GylewatchError) -> bool:
    if isinstance(error, StorageError | DeliveryError):
        return error.retry
    return isinstance(error, MachineError | TransportError | TooEarly)


def complain(text: str) -> None:
    """One line on standard error, whatever line breaks a library put into the text."""
    print("gylewatch: " + " ".join(text.split()), file=sys.stderr)  # noqa: T201


if __name__ == "__main__":
    main()
