"""The guided calibration: one question after the other, every answer saved, until a curve is accepted."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from threading import Event

import click

from calibration import session as sessions
from calibration.session import USUAL_GRAVITIES_SG, Session
from calibration.settling import Settling
from gylewatch.bench import SESSION_HEADER, Bench, fit_sentence, session_rows
from gylewatch.curve_picture import RESIDUAL_HEADER, picture, residual_rows
from gylewatch.errors import CalibrationError, InputError
from gylewatch.quantities import Gravity
from gylewatch.terminal import show_table, user_name

LOOK_EVERY_S = 2.0
SOLUTION_SG = Gravity(low=0.99, high=1.17)

HELP = (
    "Enter = measure; redo N = measure solution N again; drop N = leave it out; add SG = one more; "
    "fit = see the curve; quit = go on another day"
)
BEFORE = (
    "Rinse and dry the float between solutions, let solution and float reach the same temperature, brush bubbles off, "
    "and let it swim free of the wall. Clear up spilt sugar water: it makes floors slippery and draws wasps."
)
_ORDER = re.compile(r"(redo|drop)\s+(\d{1,2})", re.ASCII)
_ADD = re.compile(r"add\s+(\S+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """A guided session at the terminal.

    Parameters
    ----------
    patience : how long to wait for a float to settle before asking again
    """

    bench: Bench
    now: Callable[[], datetime]
    patience: timedelta
    who: str | None = None
    note: str = ""

    def run(self, session: Session) -> int | None:
        """Guide until a curve is accepted; its version, or None if the session goes on another day."""
        click.echo(BEFORE)
        click.echo(HELP)
        while True:
            show_table(SESSION_HEADER, session_rows(session), empty="no solutions are left: add three or more")
            place = session.next_place
            question = "All points are taken; Enter fits the curve" if place is None else _put_in(session, place)
            order = click.prompt(question, default="", show_default=False).strip().lower()
            if order in ("quit", "q"):
                click.echo("kept; go on with the same command")
                return None
            if order == "fit" or (order == "" and place is None):
                version = self._fit(session)
                if version is not None:
                    return version
                continue
            with _one_line():
                session = self._follow(session, order, place)

    def _follow(self, session: Session, order: str, place: int | None) -> Session:
        if order == "" and place is not None:
            return self._measure(session, place)
        if match := _ORDER.fullmatch(order):
            which = int(match[2])
            if match[1] == "drop":
                return self.bench.keep(sessions.drop(session, which))
            return self._measure(self.bench.keep(sessions.redo(session, which)), which)
        if match := _ADD.fullmatch(order):
            return self.bench.keep(sessions.add(session, SOLUTION_SG.convert(match[1], None, None)))
        raise InputError(repr(order), f"is nothing that can be done here. {HELP}")

    def _measure(self, session: Session, place: int) -> Session:
        start = self.now()
        said = ""
        try:
            while (now := self.now()) - start < self.patience:
                rest = self.bench.rest(session, now, since=start)
                if rest.reason != said:
                    click.echo(f"  {rest.reason}")
                    said = rest.reason
                if rest.settled:
                    return self._keep_point(session, place, rest)
                Event().wait(LOOK_EVERY_S)
        except KeyboardInterrupt:
            click.echo("")
            return session
        click.echo(f"  not settled after {self.patience.total_seconds() / 60:.0f} minutes; try again, or leave it out")
        return session

    def _keep_point(self, session: Session, place: int, rest: Settling) -> Session:
        if not click.confirm(f"Take this point for {session.solutions[place - 1].gravity_sg:.4f}?", default=True):
            return session
        return self.bench.keep(sessions.take(session, place, rest, taken=self.now()))

    def _fit(self, session: Session) -> int | None:
        try:
            curve = self.bench.fit(session)
        except CalibrationError as error:
            click.echo(f"no curve: {error}")
            return None
        references = session.references
        click.echo(picture(curve, references))
        show_table(RESIDUAL_HEADER, residual_rows(curve, references), empty="")
        click.echo(fit_sentence(curve))
        for reason in curve.excluded_reasons:
            click.echo(reason)
        if not click.confirm("Accept this curve?", default=False):
            click.echo("nothing is saved; redo or drop a point, or quit")
            return None
        return self.bench.accept(session, curve, who=self.who or user_name(), note=self.note, created=self.now())


def ask_for_solutions() -> tuple[float, ...]:
    """The gravities of the solutions, as a person types them, asked until they make sense."""
    usual = " ".join(f"{gravity:.3f}" for gravity in USUAL_GRAVITIES_SG)
    while True:
        typed = click.prompt("Gravities of your solutions, with spaces between them", default=usual)
        try:
            return tuple(SOLUTION_SG.convert(word, None, None) for word in typed.split())
        except click.BadParameter as error:
            click.echo(f"  {error.message}")


def _put_in(session: Session, place: int) -> str:
    return f"Put the float into solution {place} ({session.solutions[place - 1].gravity_sg:.4f}) and press Enter"


@contextmanager
def _one_line() -> Iterator[None]:
    """What a person got wrong is said, and asked again."""
    try:
        yield
    except click.BadParameter as error:
        click.echo(f"  {error.message}")
    except InputError as error:
        click.echo(f"  {error}")
