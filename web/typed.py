"""What a person types into a field: to a number or a time, or to a question. Pure."""

from __future__ import annotations

from collections.abc import Container, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from gylewatch.typed_number import number_of, point_form, thousands_doubt, why_no_number, without_unit
from web.words import capital

SHOWN: Final = 40  # characters of what was typed that a sentence repeats


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is not clear about one field, as a sentence to the person who typed it."""

    field: str
    sentence: str


class Unclear(Exception):
    """A field that leaves a question."""

    def __init__(self, field: str, sentence: str) -> None:
        super().__init__(sentence)
        self.question = Question(field=field, sentence=sentence)


def number(fields: Mapping[str, str], name: str, what: str, *, most: float = 0.0, unit: str = "") -> float:
    """The number in a field.

    Parameters
    ----------
    most : the largest number that makes sense there, where that is a thousand or more
    unit : in which the number is meant; it may stand behind it

    Raises
    ------
    Unclear
        The field is empty, or holds no plain number, or one that can be read in two ways.
    """
    typed = without_unit(fields.get(name, ""), unit)
    if not typed:
        raise Unclear(name, f"What is the {what}? The field is empty.")
    if doubt := thousands_doubt(typed, most):
        raise Unclear(name, f"{capital(doubt)}.")
    found = number_of(typed)
    if found is None:
        raise Unclear(name, f"What is the {what}? {typed[:SHOWN]!r} {why_no_number(typed)}.")
    return found


def time(fields: Mapping[str, str], name: str, question: str) -> datetime | None:
    """The time in a field, UTC where it names no offset; None: the field is empty.

    Raises
    ------
    Unclear
        It is no time; `question` asks for it.
    """
    typed = fields.get(name, "").strip()
    if not typed:
        return None
    try:
        found = datetime.fromisoformat(typed)
        return (found.replace(tzinfo=UTC) if found.tzinfo is None else found).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        sentence = f"{question} {typed[:SHOWN]!r} is not a time such as 2026-03-05T18:30 (UTC)."
        raise Unclear(name, sentence) from error


def shown_again(fields: Mapping[str, str], times: Container[str], numbers: Container[str] = ()) -> dict[str, str]:
    """What was typed, for the form that asks about it.

    Its `times` stand as a browser takes them, in UTC without a zone, and its `numbers` with a point.
    """
    return {name: _again(fields, name, times, numbers) for name in fields}


def minute(moment: datetime) -> str:
    """A time as a browser's field takes it, in UTC."""
    return f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M}"


def _again(fields: Mapping[str, str], name: str, times: Container[str], numbers: Container[str]) -> str:
    if name in times:
        return _time_again(fields, name)
    return point_form(fields[name]) if name in numbers else fields[name]


def _time_again(fields: Mapping[str, str], name: str) -> str:
    try:
        found = time(fields, name, "")
    except Unclear:
        return fields[name]
    return minute(found) if found is not None else ""
