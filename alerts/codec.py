"""Frozen dataclasses to JSON text and back, exactly: floats by their shortest exact form, times in ISO 8601."""

from __future__ import annotations

import json
import types
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from enum import Enum
from functools import cache
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

T = TypeVar("T")


def to_json(value: Any) -> str:
    """The JSON text of a frozen dataclass made of numbers, texts, times, enums, tuples and other such dataclasses."""
    return json.dumps(_plain(value), separators=(",", ":"), allow_nan=False)


def from_json(kind: type[T], text: str) -> T:
    """The value of type `kind` that `to_json` has written.

    Raises
    ------
    ValueError
        The text is no JSON, or not that of a value of this type.
    """
    try:
        value: T = _value(kind, json.loads(text))
    except (TypeError, KeyError, AttributeError, RecursionError) as error:
        raise ValueError(f"this is not the JSON of {kind.__name__}: {error}") from error
    return value


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, datetime):
        return value.isoformat()
    return value.value if isinstance(value, Enum) else value


@cache
def _hints(kind: type[Any]) -> Mapping[str, Any]:
    return get_type_hints(kind)


def _value(kind: Any, plain: Any) -> Any:
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        options = [option for option in get_args(kind) if option is not type(None)]
        return None if plain is None else _value(options[0], plain)
    if origin is tuple:
        return _tuple(get_args(kind), plain)
    if is_dataclass(kind) and isinstance(kind, type):
        # A memory written by an older version lacks what was added since; the defaults stand in for it.
        known = _hints(kind)
        return kind(**{name: _value(known[name], item) for name, item in plain.items() if name in known})
    return _scalar(kind, plain)


def _tuple(options: tuple[Any, ...], plain: Any) -> tuple[Any, ...]:
    if len(options) == 2 and options[1] is Ellipsis:
        return tuple(_value(options[0], item) for item in plain)
    return tuple(_value(option, item) for option, item in zip(options, plain, strict=True))


def _scalar(kind: Any, plain: Any) -> Any:
    if kind is datetime:
        return datetime.fromisoformat(plain)
    if issubclass(kind, Enum):
        return kind(plain)
    if kind is float and not isinstance(plain, bool) and isinstance(plain, int | float):
        return float(plain)
    if not isinstance(plain, kind):
        raise TypeError(f"{plain!r} where a {kind.__name__} belongs")
    return plain
