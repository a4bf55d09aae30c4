"""Quantities as typed on a command line: plain numbers, and what was probably meant where they are none."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Final

import click

from gylewatch.likely import celsius_doubt, gravity_doubt
from gylewatch.typed_number import number_of, thousands_doubt, why_no_number

_SHOWN: Final = 40  # characters of what was typed that a message repeats


if TYPE_CHECKING:
    _FloatType = click.ParamType[float]
else:
    _FloatType = click.ParamType  # before click 8.4 it takes no type argument


class Number(_FloatType):
    """A decimal number between `low` and `high`; `grouped` where a comma in it may stand between thousands."""

    name = "number"

    def __init__(self, unit: str = "", *, low: float = -1e9, high: float = 1e9, grouped: bool = True) -> None:
        self._unit = unit
        self._low, self._high = low, high
        self._most = high if grouped else 0.0

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        del param, ctx
        return self._unit.upper() or "NUMBER"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        number = self._typed(str(value).strip(), param, ctx)
        if not self._low <= number <= self._high:
            doubt = self.doubt(number)
            self.fail(
                f"{number:g} {self._unit}".strip()
                + f" is outside {self._low:g} to {self._high:g}"
                + (f"; {doubt}" if doubt else ""),
                param,
                ctx,
            )
        return number

    def doubt(self, number: float) -> str:
        """What was probably meant by a number out of range; empty: nothing comes to mind."""
        del number
        return ""

    def _typed(self, text: str, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if doubt := thousands_doubt(text, self._most):
            self.fail(doubt, param, ctx)
        number = number_of(text)
        if number is None:
            self.fail(f"{text[:_SHOWN]!r} {why_no_number(text)}", param, ctx)
        return number


class Gravity(Number):
    """A specific gravity, SG 20/20 °C."""

    name = "gravity"

    def __init__(self, *, low: float = 0.98, high: float = 1.2) -> None:
        super().__init__("SG", low=low, high=high)

    def doubt(self, number: float) -> str:
        return gravity_doubt(number, self._low, self._high)


class Celsius(Number):
    """A temperature, °C, of something that is never hotter than `high`."""

    name = "temperature"

    def __init__(self, *, low: float = -2.0, high: float = 45.0) -> None:
        super().__init__("C", low=low, high=high)

    def doubt(self, number: float) -> str:
        return celsius_doubt((number,), self._low, self._high)


GRAVITY: Final = Gravity()
COOL_C: Final = Celsius()
"""Of beer, a sample or a room."""
HOT_C: Final = Celsius(low=0.0, high=101.0)
"""Of wort in mash, kettle and cooler."""
LITRES: Final = Number("l", low=0.01, high=1e6)
BRIX: Final = Number("Brix", low=-5.0, high=45.0)


def in_any_case(typed: str, known: Iterable[str]) -> str:
    """The one of the `known` words that was typed, in capital or small letters; what is none of them stays."""
    plain = typed.strip().casefold()
    return next((each for each in known if each.casefold() == plain), typed)
