"""Reads a TOML file key by key: each key is asked for once, with its type and range; what nobody asked for is an error.

Every message names the file, the key, the value found and what is allowed.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Final

from gylewatch.errors import GylewatchError, MachineError, is_machines

# A TOML file with settings or a batch is a page of text; more is a wrong file, and must not fill a board's memory.
_LARGEST_FILE_BYTES: Final = 1_000_000
_FIRST_YEAR, _LAST_YEAR = 1990, 2100


class TableError(GylewatchError):
    """A TOML file cannot be read, or holds a wrong or unknown key.

    Parameters
    ----------
    key : the key's full name; empty: the fault is none of a single key
    reason : the message without file, key and value, for a form that shows them itself
    """

    def __init__(self, message: str, *, key: str = "", reason: str = "") -> None:
        super().__init__(message)
        self.key = key
        self.reason = reason or message


def read_toml(path: Path, *, remedy: str = "") -> Table:
    """Read `path` as the outermost table.

    Raises
    ------
    TableError
        The file is missing, unreadable, too large, not UTF-8 or not TOML; the message names line and column.
    MachineError
        The disk does not give it now.
    """
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise TableError(f"{path}: is larger than {_LARGEST_FILE_BYTES:,} bytes; is it the right file?")
        text = path.read_bytes().decode("utf-8-sig")
        return Table(str(path), "", tomllib.loads(text))
    except FileNotFoundError:
        raise TableError(f"{path}: there is no such file" + (f"; {remedy}" if remedy else "")) from None
    except OSError as error:
        said = f"{path}: cannot be read ({(error.strerror or str(error)).lower()})"
        raise MachineError(f"{said}; check the disk") if is_machines(error) else TableError(said) from None
    except UnicodeDecodeError as error:
        raise TableError(f"{path}: is not UTF-8 text (byte {error.start + 1}); save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise TableError(f"{path}: is not valid TOML: {error}{_comma_hint(text, str(error))}") from None
    except (ValueError, OverflowError, RecursionError):  # a number of thousands of digits, brackets within brackets
        raise TableError(
            f"{path}: holds a number too long or brackets nested too deep; is it the right file?"
        ) from None


def _comma_hint(text: str, error: str) -> str:
    """What is probably meant by a number with a decimal comma, which TOML refuses without naming it."""
    line = re.search(r"at line (\d+)", error)
    found = line and re.search(r"=\s*\[?\s*(\d+),(\d+)\b", text.splitlines()[int(line[1]) - 1])
    return f"; write decimals with a point: {found[1]}.{found[2]}" if found else ""


class Table:
    """One table of a TOML file. Ask for each key once, then call :meth:`finish`."""

    def __init__(self, file: str, name: str, content: dict[str, Any]) -> None:
        self._file = file
        self._name = name
        self._content = content
        self._asked: set[str] = set()

    @property
    def file(self) -> str:
        return self._file

    def place(self, key: str) -> str:
        """The key's full name with the file, for messages."""
        return f"{self._file}: {self._full(key)}"

    def wrong(self, key: str, allowed: str) -> TableError:
        """An error that names the key, the value found and what is allowed."""
        message = f"{self.place(key)} = {_shown(self._content.get(key))}: {allowed}"
        return TableError(message, key=self._full(key), reason=allowed)

    def unusable(self, key: str, reason: str) -> TableError:
        """An error that names the key, for a reason that tells the value itself."""
        return TableError(f"{self.place(key)}: {reason}", key=self._full(key), reason=reason)

    def wrong_as_a_whole(self, reason: str) -> TableError:
        """An error of keys that are right by themselves, and not together."""
        return TableError(f"{self._file}: {self._name}: {reason}", reason=reason)

    def has(self, key: str) -> bool:
        self._asked.add(key)
        return key in self._content

    def raw_value(self, key: str) -> Any:
        """The value as it stands, for a reader that knows what may be meant by a wrong one; None: not there."""
        self._asked.add(key)
        return self._content.get(key)

    def text(self, key: str, default: str | None = None, *, choices: Sequence[str] = ()) -> str:
        value = self._value(key, default, "a text in quotes")
        if not isinstance(value, str):
            raise self.wrong(key, "must be a text in quotes")
        if "\0" in value:  # no name of a file, a machine or a topic holds one
            raise self.wrong(key, "holds a zero character; write it anew")
        if choices and value not in choices:
            near = difflib.get_close_matches(value, choices, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise self.wrong(key, f"must be one of {', '.join(choices)}{hint}")
        return value

    def optional_text(self, key: str) -> str | None:
        return self.text(key) if self.has(key) else None

    def switch(self, key: str, default: bool) -> bool:
        value = self._value(key, default, "true or false")
        if not isinstance(value, bool):
            raise self.wrong(key, "must be true or false")
        return value

    def number(self, key: str, default: float | None = None, *, low: float, high: float, unit: str = "") -> float:
        return self._checked(key, self._value(key, default, "a number"), low, high, unit)

    def optional_number(self, key: str, *, low: float, high: float, unit: str = "") -> float | None:
        return self.number(key, low=low, high=high, unit=unit) if self.has(key) else None

    def whole(self, key: str, default: int | None = None, *, low: int, high: int, unit: str = "") -> int:
        value = self._value(key, default, "a whole number")
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.wrong(key, f"must be a whole number, {low} to {high}{_with(unit)}")
        return int(self._checked(key, value, low, high, unit))

    def pair(self, key: str, *, low: float, high: float, unit: str = "") -> tuple[float, float]:
        """Two numbers, the first below the second."""
        value = self._value(key, None, "[low, high]")
        if not isinstance(value, list) or len(value) != 2:
            raise self.wrong(key, "must be two numbers in brackets, [low, high]")
        first, second = (self._checked(key, item, low, high, unit) for item in value)
        if not first < second:
            raise self.wrong(key, "must be [low, high] with low below high")
        return first, second

    def time(self, key: str) -> datetime:
        value = self._value(key, None, "a time, e.g. 2026-03-02T18:30:00Z")
        if not isinstance(value, datetime):
            raise self.wrong(key, "must be a time without quotes, e.g. 2026-03-02T18:30:00Z")
        if value.tzinfo is None:
            raise self.wrong(key, "says no time zone; add Z for UTC, e.g. 2026-03-02T18:30:00Z")
        if not _FIRST_YEAR <= value.year <= _LAST_YEAR:  # also keeps the zone from carrying it past year 1 or 9999
            raise self.wrong(key, f"must lie between the years {_FIRST_YEAR} and {_LAST_YEAR}")
        return value.astimezone(UTC)

    def texts(self, key: str, default: Sequence[str] = ()) -> tuple[str, ...]:
        value = self._value(key, list(default), "a list of texts")
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.wrong(key, "must be a list of texts in quotes")
        return tuple(value)

    def table(self, key: str, *, required: bool = False) -> Table:
        if required and not self.has(key):
            raise TableError(f"{self._file}: the table [{self._full(key)}] is missing")
        value = self._value(key, {}, f"a table [{self._full(key)}]")
        if not isinstance(value, dict):
            raise self.wrong(key, f"must be a table, written [{self._full(key)}]")
        return Table(self._file, self._full(key), value)

    def tables(self, key: str) -> tuple[Table, ...]:
        value = self._value(key, [], f"tables [[{self._full(key)}]]")
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.wrong(key, f"must be tables, each written [[{self._full(key)}]]")
        return tuple(Table(self._file, f"{self._full(key)}[{n}]", item) for n, item in enumerate(value, start=1))

    def raw(self) -> dict[str, Any]:
        """Everything in the table, for a reader that checks it itself; nothing is left over then."""
        self._asked.update(self._content)
        return self._content

    def finish(self) -> None:
        """Refuse keys that nobody asked for.

        Raises
        ------
        TableError
            The table holds an unknown key; the message names the nearest known one.
        """
        for key in self._content:
            if key not in self._asked:
                near = difflib.get_close_matches(key, sorted(self._asked), n=1, cutoff=0.6)
                hint = f"did you mean {near[0]!r}?" if near else f"known here: {', '.join(sorted(self._asked))}"
                raise TableError(f"{self.place(key)}: unknown key; {hint}")

    def _full(self, key: str) -> str:
        return f"{self._name}.{key}" if self._name else key

    def _value(self, key: str, default: Any, wanted: str) -> Any:
        self._asked.add(key)
        if key in self._content:
            return self._content[key]
        if default is None:
            near = difflib.get_close_matches(key, sorted(set(self._content) - self._asked), n=1, cutoff=0.7)
            hint = f"; is {near[0]!r} meant?" if near else ""
            raise self.unusable(key, f"is missing; write {wanted}{hint}")
        return default

    def _checked(self, key: str, value: Any, low: float, high: float, unit: str) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.wrong(key, f"must be a number, {low:g} to {high:g}{_with(unit)}")
        if not (low <= value <= high):  # false for NaN, and no overflow for a whole number of 400 digits
            raise self.wrong(key, must_be(low, high, unit))
        return float(value)


def must_be(low: float, high: float, unit: str = "") -> str:
    """What is allowed of a number, for messages."""
    return f"must be {low:.10g} to {high:.10g}{_with(unit)}"


def _with(unit: str) -> str:
    return f" {unit}" if unit else ""


def _shown(value: Any) -> str:
    try:
        text = value.isoformat() if isinstance(value, date) else repr(value)
    except ValueError:
        return "a number of thousands of digits"
    return text if len(text) <= 60 else text[:57] + "..."
