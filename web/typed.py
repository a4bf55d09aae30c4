"""What a person types into a field: to a number or a time, or to a question. Pure."""

from __future__ import annotations

import re
from collections.abc import Container, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

SHOWN: Final = 40  # characters of what was typed that a sentence repeats
_NUMBER: Final = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)", re.ASCII)
_COMMA: Final = re.compile(r"[-+]?\d+,\d+", re.ASCII)


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


def number(fields: Mapping[str, str], name: str, what: str) -> float:
    """The number in a field.

    Raises
    ------
    Unclear
        The field is empty, or holds no plain number with a point.
    """
    typed = fields.get(name, "").strip()
    if not typed:
        raise Unclear(name, f"What is the {what}? The field is empty.")
    if _COMMA.fullmatch(typed):
        meant = typed.replace(",", ".")
        raise Unclear(name, f"Did you mean {meant[:SHOWN]}? Decimals are written with a point here, not a comma.")
    if not _NUMBER.fullmatch(typed) or len(typed) > SHOWN:
        raise Unclear(name, f"What is the {what} as a plain number? {typed[:SHOWN]!r} is not one.")
    return float(typed)


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


def shown_again(fields: Mapping[str, str], times: Container[str]) -> dict[str, str]:
    """What was typed, for the form that asks about it: its `times` as a browser takes them, in UTC without a zone."""
    return {name: _time_again(fields, name) if name in times else text for name, text in fields.items()}


def minute(moment: datetime) -> str:
    """A time as a browser's field takes it, in UTC."""
    return f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M}"


def _time_again(fields: Mapping[str, str], name: str) -> str:
    try:
        found = time(fields, name, "")
    except Unclear:
        return fields[name]
    return minute(found) if found is not None else ""
