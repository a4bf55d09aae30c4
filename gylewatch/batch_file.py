"""Reads ``batch.toml``: one batch as the brewer writes it down."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from pathlib import Path

from gylewatch.errors import InputError
from gylewatch.instruments_table import read_instruments
from gylewatch.likely import celsius_doubt, points_doubt
from gylewatch.quantities import Gravity
from gylewatch.toml_table import Table, TableError, read_toml
from gylewatch.values import Addition, Batch, FloatId, HandSettings, PlanStep, VesselId, check_name, utc_text

# Wide enough for any fermentation, narrow enough to catch Fahrenheit typed as Celsius.
_WANTED_C = (-5.0, 50.0)
_LONGEST_TEXT = 100  # of a name or label: it stands in a line of a table, a title and a notification
ORIGINAL_SG = (1.005, 1.2)
ORIGINAL = Gravity(low=ORIGINAL_SG[0], high=ORIGINAL_SG[1])


def read_batch(path: Path, *, instruments: HandSettings | None = None) -> Batch:
    """Read a batch from a file as the contract describes it.

    Parameters
    ----------
    instruments : those with which its samples are measured, where the file does not say; None: the contract's

    Raises
    ------
    InputError
        The file is missing or malformed, or a key is missing, unknown or out of range.
    """
    try:
        top = read_toml(path)
        table = top.table("batch", required=True)
        top.finish()
        return _batch(table, instruments or HandSettings())
    except TableError as error:
        raise _as_input_error(path, error) from None


def _as_input_error(path: Path, error: TableError) -> InputError:
    return InputError(str(path), str(error).removeprefix(f"{path}: "))


def _batch(table: Table, instruments: HandSettings) -> Batch:
    pitched = table.time("pitched")
    try:
        batch = Batch(
            name=_words(table, "name"),
            volume_l=table.number("volume_l", low=0.1, high=1e6, unit="l"),
            pitched=pitched,
            original_gravity_sg=_original_gravity(table),
            expected_attenuation=table.pair("expected_attenuation", low=0.2, high=1.2, unit="(fractions, not percent)"),
            temperature_c=_wanted(table),
            vessel=VesselId(_name(table, "vessel")),
            float_id=FloatId(_name(table, "float")),
            plan=tuple(_plan_step(step, pitched) for step in table.tables("plan")),
            additions=tuple(_addition(addition, pitched) for addition in table.tables("addition")),
            instruments=read_instruments(table.table("instruments")) if table.has("instruments") else instruments,
        )
    except ValueError as error:
        raise TableError(f"{table.file}: batch: {error}") from None
    table.finish()
    # Not a rule of the value: a batch that was written down earlier must stay readable.
    for before, after in pairwise(batch.plan):
        if after.start == before.start:
            raise TableError(
                f"{table.file}: batch: two steps of the plan begin at {utc_text(after.start)}; keep one of them"
            )
    return batch


def _original_gravity(table: Table) -> float | None:
    key = "original_gravity"
    typed = table.raw_value(key)
    if isinstance(typed, str) and typed.strip():
        raise table.wrong(
            key, f"write it without quotes and with a point: {key} = {typed.strip().replace(',', '.')[:20]}"
        )
    if isinstance(typed, int | float) and not isinstance(typed, bool) and 1.2 < typed < 1e4:
        raise table.wrong(key, f"must be 1.005 to 1.2 SG; {ORIGINAL.doubt(typed) or 'as it reads on a hydrometer'}")
    return table.optional_number(key, low=ORIGINAL_SG[0], high=ORIGINAL_SG[1], unit="SG")


def _wanted(table: Table) -> tuple[float, float]:
    key = "temperature_c"
    low, high = _WANTED_C
    typed = table.raw_value(key)
    if isinstance(typed, list) and len(typed) == 2 and all(type(each) in (int, float) for each in typed):
        doubt = "" if all(low <= each <= high for each in typed) else celsius_doubt(typed, low, high)
        if doubt:
            raise table.wrong(key, f"must be {low:g} to {high:g} °C; {doubt}")
    return table.pair(key, low=low, high=high, unit="°C")


def _name(table: Table, key: str) -> str:
    name = table.text(key)
    try:
        return check_name(key, name)
    except ValueError as error:
        raise TableError(f"{table.place(key)}: {error}") from None


def _words(table: Table, key: str, default: str | None = None) -> str:
    text = table.text(key, default)
    if len(text) > _LONGEST_TEXT or not text.isprintable():
        raise table.wrong(key, f"must be one line of at most {_LONGEST_TEXT} characters")
    return text


def _plan_step(table: Table, pitched: datetime) -> PlanStep:
    start = table.time("from")
    if start < pitched:
        raise table.wrong("from", "lies before pitching; what is wanted from pitching on is the batch's temperature_c")
    step = PlanStep(
        start=start,
        temperature_c=_wanted(table),
        label=_words(table, "label", ""),
    )
    table.finish()
    return step


def _addition(table: Table, pitched: datetime) -> Addition:
    time = table.time("time")
    if time < pitched:
        raise table.wrong("time", "lies before pitching; leave it out: the original gravity holds what went in earlier")
    addition = Addition(
        time=time,
        gravity_points=_rise(table),
        label=_words(table, "label", ""),
    )
    table.finish()
    return addition


def _rise(table: Table) -> float | None:
    key = "gravity_points"
    points = table.optional_number(key, low=0.0, high=100.0, unit="points")
    if points is not None and (doubt := points_doubt(points)):
        raise table.wrong(key, doubt)
    return points
