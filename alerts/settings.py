"""Alert settings from TOML: every fault names its place, the value and the remedy. Reads text, never a file."""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import Field, fields, replace
from typing import Any

from alerts.alert import Kind
from alerts.battery_rules import CHEMISTRIES
from alerts.thresholds import AlertSettings, section_name
from gylewatch.errors import InputError

__all__ = ["AlertSettings", "alert_settings", "load_alert_settings"]


def load_alert_settings(text: str, place: str) -> AlertSettings:
    """Read alert settings from the text of a TOML file with one table ``[alerts]``.

    Parameters
    ----------
    text : TOML; one sub-table a kind, e.g. ``[alerts.fermentation-finished]``. What is not given keeps its default.
    place : name of the file, for messages

    Raises
    ------
    InputError
        The text is no TOML, or names an unknown kind or setting, or a value of the wrong type or out of its range.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(place, f"this is not valid TOML: {error}") from error
    for key in document:
        if key != "alerts":
            raise InputError(place, f"unknown table [{key}]; an alert settings file holds only [alerts.<kind>] tables")
    table = document.get("alerts", {})
    if not isinstance(table, Mapping):
        raise InputError(place, f"alerts must be a table, got {table!r}; write [alerts.<kind>] above the settings")
    return alert_settings(table, place)


def alert_settings(table: Mapping[str, Any], place: str) -> AlertSettings:
    """Build settings from the content of an ``[alerts]`` table; raises `InputError` like `load_alert_settings`."""
    settings = AlertSettings()
    for name, values in table.items():
        if name not in [kind.value for kind in Kind]:
            raise InputError(
                place, f"unknown alert kind [alerts.{name}]{_nearest(name, [kind.value for kind in Kind])}"
            )
        where = f"{place} [alerts.{name}]"
        if not isinstance(values, Mapping):
            raise InputError(
                where, f"must be a table of settings, got {values!r}; write enabled = false to switch it off"
            )
        attribute = section_name(Kind(name))
        settings = replace(settings, **{attribute: _section(getattr(settings, attribute), values, where)})
    return settings


def _section(section: Any, values: Mapping[str, Any], where: str) -> Any:
    known = {field.name: field for field in fields(section)}
    for key in values:
        if key not in known:
            raise InputError(where, f"unknown setting {key!r}{_nearest(key, known)}")
    return replace(section, **{key: _value(known[key], value, f"{where} {key}") for key, value in values.items()})


def _value(known: Field[Any], value: object, where: str) -> object:
    if known.type == "bool":
        if not isinstance(value, bool):
            raise InputError(where, f"must be true or false, got {value!r}")
        return value
    if known.type == "str":
        if value not in (choices := ("auto", *CHEMISTRIES)):
            raise InputError(where, f"must be one of {', '.join(choices)}, got {value!r}")
        return value
    low, high = known.metadata["low"], known.metadata["high"]
    whole = known.type == "int"
    number = isinstance(value, int if whole else int | float) and not isinstance(value, bool)
    if not number or not math.isfinite(value) or not low <= value <= high:  # type: ignore[arg-type]
        raise InputError(where, f"must be a {'whole ' if whole else ''}number from {low:g} to {high:g}, got {value!r}")
    return value if whole else float(value)  # type: ignore[arg-type]


def _nearest(name: str, valid: Iterable[str]) -> str:
    names = sorted(valid)
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
    return f"; did you mean {close[0]!r}?" if close else f"; known are {', '.join(names)}"
