"""Strict readers of the contract's CSV files. A message names file, row and reason; row 1 is the header.

A row that is not what its header says is an error. A row that is well-formed but says something absurd about the
world (an angle of 500 degrees) is not refused here: real recordings hold such rows, and the collector judges them.
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, TypeVar

from collector.packet import Fields
from gylewatch.counting import counted
from gylewatch.errors import InputError
from gylewatch.likely import celsius_doubt, gravity_doubt
from gylewatch.values import GRAVITY_RANGE_SG, SOLUTION_RANGE_C, FloatId, Instrument, Reference, Sample, Unit

READINGS_HEADER: Final = ("time", "float", "angle_deg", "temperature_c", "battery_v", "rssi_dbm")
SAMPLES_HEADER: Final = ("time", "instrument", "value", "unit", "sample_temperature_c")
REFERENCES_HEADER: Final = ("float", "angle_deg", "angle_sd_deg", "gravity_sg", "gravity_sd_sg", "temperature_c")

# A larger spread is a slip of the unit: a hundred points, or a float that swings through a third of its scale.
_MOST_ANGLE_SD_DEG: Final = 30.0
_MOST_GRAVITY_SD_SG: Final = 0.1

# Python's float() also takes "1_000", "inf" and "nan", none of which is a measurement.
_NUMBER: Final = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?", re.ASCII)
_COMMA_NUMBER: Final = re.compile(r"[-+]?\d+,\d+", re.ASCII)
_NOT_NUMBERS: Final = frozenset({"nan", "inf", "infinity"})

Row = TypeVar("Row")


def read_readings(path: Path) -> tuple[tuple[int, Fields], ...]:
    """Every row of a ``readings.csv`` with its row number, in the order of the file.

    Raises
    ------
    InputError
        The file cannot be read, or one row is malformed.
    """
    return tuple(_rows(path, READINGS_HEADER, _reading))


def read_samples(path: Path) -> tuple[tuple[int, Sample], ...]:
    """Every row of a ``samples.csv`` with its row number, in order of time; none where nobody has drawn a sample yet.

    Raises
    ------
    InputError
        The file cannot be read, or one row is malformed or out of range.
    """
    return tuple(sorted(_rows(path, SAMPLES_HEADER, _sample, may_be_empty=True), key=lambda numbered: numbered[1].time))


def read_references(path: Path) -> tuple[Reference, ...]:
    """Every row of a ``references.csv``.

    Raises
    ------
    InputError
        The file cannot be read, or one row is malformed or out of range.
    """
    return tuple(reference for _, reference in _rows(path, REFERENCES_HEADER, _reference))


def _rows(
    path: Path, header: tuple[str, ...], parse: Callable[[list[str]], Row], *, may_be_empty: bool = False
) -> Iterator[tuple[int, Row]]:
    rows = 0
    for number, cells in _lines(path, header):
        if len(cells) != len(header):
            hint = "; decimals are written with a point, not a comma" if len(cells) > len(header) else ""
            raise InputError(
                f"{path} row {number}",
                f"has {counted(len(cells), 'column')}, but the header has {len(header)}{hint}",
            )
        try:
            value = parse(cells)
        except ValueError as error:
            raise InputError(f"{path} row {number}", str(error)) from None
        rows += 1
        yield number, value
    if not rows and not may_be_empty:
        raise InputError(str(path), "has a header, but no rows")


def _lines(path: Path, header: tuple[str, ...]) -> Iterator[tuple[int, list[str]]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            try:
                _check_header(path, next(reader, None), header)
                for cells in reader:
                    if cells:
                        yield reader.line_num, cells
            except csv.Error as error:
                raise InputError(f"{path} row {max(reader.line_num, 1)}", f"is not valid CSV ({error})") from None
            except UnicodeDecodeError as error:
                place = f"{path} after row {reader.line_num}" if reader.line_num else str(path)
                raise InputError(place, f"is not UTF-8 text ({error.reason}); save it as CSV in UTF-8") from None
    except FileNotFoundError:
        raise InputError(str(path), "there is no such file") from None
    except OSError as error:
        raise InputError(str(path), f"cannot be read ({(error.strerror or str(error)).lower()})") from None


def _check_header(path: Path, found: list[str] | None, header: tuple[str, ...]) -> None:
    if found is None:
        raise InputError(str(path), f"is empty; its first row must be {','.join(header)}")
    names = tuple(name.strip() for name in found)
    if names == header:
        return
    if len(names) == 1 and (";" in names[0] or "\t" in names[0]):
        reason = "the columns must be separated by commas"
    elif missing := [name for name in header if name not in names]:
        reason = f"the header lacks {', '.join(missing)}" + _other_unit(missing, names)
    elif unknown := [name or "(no name)" for name in names if name not in header]:
        reason = f"the header has unknown columns: {', '.join(unknown)}"
    else:
        reason = "the columns are repeated or in another order"
    raise InputError(f"{path} row 1", f"{reason}; the header must be {','.join(header)}")


def _other_unit(missing: list[str], names: tuple[str, ...]) -> str:
    """A hint where a column seems to hold another unit than the contract's."""
    for name in missing:
        quantity = name.rpartition("_")[0]
        other = next((found for found in names if quantity and found.startswith(f"{quantity}_")), None)
        if other is not None and other not in (*REFERENCES_HEADER, *READINGS_HEADER, *SAMPLES_HEADER):
            return f" but has {other}: write its values in the unit of {name}, and name the column so"
    return ""


def _reading(cells: list[str]) -> Fields:
    time, name, angle, temperature, battery, rssi = cells
    return Fields(
        float_name=_text("float", name),
        time=_time(time),
        angle_deg=_number("angle_deg", angle),
        temperature_c=_number("temperature_c", temperature),
        battery_v=_optional_number("battery_v", battery),
        rssi_dbm=_optional_whole("rssi_dbm", rssi),
    )


def _sample(cells: list[str]) -> Sample:
    time, instrument, value, unit, temperature = cells
    sample = Sample(
        time=_time(time),
        instrument=_choice("instrument", instrument, Instrument),
        value=_number("value", value),
        unit=_choice("unit", unit, Unit),
        sample_temperature_c=_number("sample_temperature_c", temperature),
    )
    _check_plausible(sample)
    return sample


def _check_plausible(sample: Sample) -> None:
    # Catches the commonest slips: Brix in an SG field, and SG or points typed where Brix is meant.
    if sample.unit in (Unit.SG, Unit.G_PER_CM3) and not 0.9 <= sample.value <= 1.3:
        raise ValueError(f"value {sample.value:g} is no {sample.unit} (0.9 to 1.3); is the unit right?")
    if sample.unit in (Unit.BRIX, Unit.PLATO) and not -5.0 <= sample.value <= 60.0:
        raise ValueError(f"value {sample.value:g} is no {sample.unit} (-5 to 60); is the unit right?")


def _reference(cells: list[str]) -> Reference:
    name, angle, angle_sd, gravity, gravity_sd, temperature = cells
    gravity_sg, temperature_c = _number("gravity_sg", gravity), _number("temperature_c", temperature)
    _check_meant("gravity_sg", gravity_sg, GRAVITY_RANGE_SG, gravity_doubt(gravity_sg, *GRAVITY_RANGE_SG))
    _check_meant("temperature_c", temperature_c, SOLUTION_RANGE_C, celsius_doubt((temperature_c,), *SOLUTION_RANGE_C))
    return Reference(
        float_id=FloatId(_text("float", name)),
        angle_deg=_number("angle_deg", angle),
        angle_sd_deg=_spread("angle_sd_deg", angle_sd, _MOST_ANGLE_SD_DEG, "degrees"),
        gravity_sg=gravity_sg,
        gravity_sd_sg=_spread("gravity_sd_sg", gravity_sd, _MOST_GRAVITY_SD_SG, "SG, of which 0.001 is one point"),
        temperature_c=temperature_c,
    )


def _spread(what: str, text: str, most: float, unit: str) -> float | None:
    value = _optional_number(what, text)
    if value is not None and not 0.0 <= value <= most:
        raise ValueError(f"{what} {value:g} is outside 0 to {most:g} {unit}; leave it empty if you do not know it")
    return value


def _check_meant(what: str, value: float, allowed: tuple[float, float], doubt: str) -> None:
    """Leave what is out of range without a likely reason to the value itself, which says its range."""
    low, high = allowed
    if doubt and not low <= value <= high:
        raise ValueError(f"{what} {value:g} is outside {low:g} to {high:g}; {doubt}")


def parse_time(text: str, what: str = "time") -> datetime:
    """A time as ISO 8601 with its zone, in UTC.

    Raises
    ------
    ValueError
        It is not ISO 8601, or says no zone.
    """
    try:
        time = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f"{what} {_shown(text)} is not a time; write e.g. 2026-03-02T18:30:00Z") from None
    if time.tzinfo is None:
        raise ValueError(f"{what} {_shown(text)} says no time zone; add Z for UTC, e.g. 2026-03-02T18:30:00Z")
    try:
        return time.astimezone(UTC)
    except OverflowError:
        raise ValueError(f"{what} {_shown(text)} is outside the calendar") from None


def _time(text: str) -> datetime:
    return parse_time(text)


def _text(what: str, text: str) -> str:
    if not text.strip():
        raise ValueError(f"{what} is empty")
    return text.strip()


def _number(what: str, text: str) -> float:
    stripped = text.strip()
    if not stripped:
        raise ValueError(f"{what} is empty")
    if not _NUMBER.fullmatch(stripped):
        if _COMMA_NUMBER.fullmatch(stripped):
            raise ValueError(f"{what} {_shown(text)} has a decimal comma; write a point, {stripped.replace(',', '.')}")
        if stripped.lower().lstrip("+-") in _NOT_NUMBERS:
            raise ValueError(f"{what} {_shown(text)} is not a measurement; leave the row out")
        raise ValueError(f"{what} {_shown(text)} is not a number")
    number = float(stripped)
    if not math.isfinite(number):
        raise ValueError(f"{what} {_shown(text)} is too large for a number")
    return number


def _optional_number(what: str, text: str) -> float | None:
    return _number(what, text) if text.strip() else None


def _optional_whole(what: str, text: str) -> int | None:
    number = _optional_number(what, text)
    return None if number is None else round(number)


Choice = TypeVar("Choice", Instrument, Unit)


def _choice(what: str, text: str, kind: type[Choice]) -> Choice:
    try:
        return kind(text.strip())
    except ValueError:
        raise ValueError(f"{what} {_shown(text)} is not one of {', '.join(kind)}") from None


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")
