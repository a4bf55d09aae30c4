"""What is wrong with a part of a request, in our words: where it stands, and what to write there. Pure."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from web.typed import Question

_SHOWN: Final = 40  # characters of what was sent that a sentence repeats
_MOST: Final = 20  # questions at a time
_WHOLE: Final = "must be a whole number"
_NUMBER: Final = "must be a number"
_TEXT: Final = "must be a text, in quotes"
_TRUTH: Final = "must be true or false"
_TIME: Final = "must be a time such as 2026-03-02T18:30:00Z"
# By the beginning of the library's name of the fault, longer ones first; in braces its own numbers.
_SAID: Final = (
    ("int_", _WHOLE),
    ("float_", _NUMBER),
    ("finite_number", _NUMBER),
    ("bool_", _TRUTH),
    ("datetime_", _TIME),
    ("string_too_long", "must have at most {max_length} characters"),
    ("string_", _TEXT),
    ("greater_than_equal", "must be {ge} or more"),
    ("less_than_equal", "must be {le} or less"),
    ("model_", "must be one JSON object, in braces"),
    ("extra_forbidden", "is not known here; leave it out, or correct its name"),
)
_OTHERWISE: Final = "cannot be used; write it as /api/v1/openapi.json describes it"
_BRANCHES: Final = frozenset({"float", "str"})  # of a part that may be either: the library tells each apart


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fault:
    kind: str
    place: tuple[str, ...]
    sent: object
    limits: Mapping[str, Any]


def questions(faults: Sequence[Mapping[str, Any]], *, inside: str = "") -> tuple[Question, ...]:
    """One question for each part of a request at fault.

    Parameters
    ----------
    faults : as the library lists them
    inside : the place of what was looked at, where they do not name it
    """
    asked: dict[str, Question] = {}
    for each in faults:
        place = ((inside,) if inside else ()) + tuple(str(part) for part in each["loc"])
        if len(place) > 2 and place[-1] in _BRANCHES:
            place = place[:-1]
        fault = _Fault(kind=each["type"], place=place, sent=each.get("input"), limits=each.get("ctx") or {})
        name = ".".join(_shown(part) for part in fault.place)
        asked.setdefault(name, Question(field=name, sentence=_sentence(fault)))
    return tuple(asked.values())[:_MOST]


def _sentence(fault: _Fault) -> str:
    if fault.kind == "missing":
        return (
            f"is missing; add {'it to the body' if fault.place[0] == 'body' else f'?{fault.place[-1]}= to the address'}"
        )
    said = next((said for begins, said in _SAID if fault.kind.startswith(begins)), _OTHERWISE)
    return f"{said.format_map(fault.limits)}; got {_shown(json.dumps(fault.sent, default=str))}"


def _shown(text: str) -> str:
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."
