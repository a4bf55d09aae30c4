"""A batch as a table of keys, of a file or of a form: to a `Batch`, or to all that is wrong with it. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from itertools import pairwise
from typing import Final, TypeVar

from gylewatch.errors import InputError
from gylewatch.instruments_table import read_instruments
from gylewatch.likely import celsius_doubt, gravity_doubt, points_doubt
from gylewatch.toml_table import Table, TableError
from gylewatch.values import Addition, Batch, FloatId, HandSettings, PlanStep, VesselId, check_name, utc_text
from gylewatch.weighed import Sweetener, rise_points, weighed_label

WANTED_C: Final = (-5.0, 50.0)
VOLUME_L: Final = (0.1, 1e6)
GRAMS: Final = (0.1, 1e8)  # of a sugar that is added; up to a tenth of the largest volume
# Wide enough for any fermentation, narrow enough to catch Fahrenheit typed as Celsius.
ATTENUATION: Final = (0.2, 1.2)
_LONGEST_TEXT: Final = 100  # of a name or label: it stands in a line of a table, a title and a notification
ORIGINAL_SG: Final = (1.005, 1.2)
_NO_TIME: Final = datetime.min.replace(tzinfo=UTC)

T = TypeVar("T")
U = TypeVar("U")


@dataclass(frozen=True, slots=True)
class _Faults:
    """Goes on after a fault, so that a person is told all of them at once."""

    found: list[TableError] = field(default_factory=list)

    def read(self, reader: Callable[[], T], otherwise: U) -> T | U:
        try:
            return reader()
        except TableError as error:
            self.found.append(error)
            return otherwise

    def read_each(self, table: Table, key: str, reader: Callable[[Table], T]) -> tuple[T, ...]:
        tables: tuple[Table, ...] = self.read(lambda: table.tables(key), ())
        rows = [self.read(partial(reader, each), None) for each in tables]
        return tuple(row for row in rows if row is not None)


def batch_of(table: Table, instruments: HandSettings) -> Batch:
    """The batch in a table.

    Parameters
    ----------
    instruments : those with which its samples are measured, where the table does not say

    Raises
    ------
    TableError
        A key is missing, unknown or out of range: the first fault.
    """
    found = batch_or_faults(table, instruments)
    if isinstance(found, Batch):
        return found
    raise found[0]


def batch_or_faults(table: Table, instruments: HandSettings) -> Batch | tuple[TableError, ...]:
    """The batch in a table, or at least one fault, each with its key."""
    faults = _Faults()
    pitched = faults.read(lambda: table.time("pitched"), _NO_TIME)
    name = faults.read(lambda: _words(table, "name"), "")
    volume_l = faults.read(lambda: table.number("volume_l", low=VOLUME_L[0], high=VOLUME_L[1], unit="l"), 0.0)
    original_gravity_sg = faults.read(lambda: _original_gravity(table), None)
    expected_attenuation = faults.read(lambda: _attenuation(table), ATTENUATION)
    temperature_c = faults.read(lambda: _wanted(table), WANTED_C)
    vessel = faults.read(lambda: _name(table, "vessel"), "")
    float_id = faults.read(lambda: _name(table, "float"), "")
    plan = faults.read_each(table, "plan", partial(_plan_step, pitched=pitched))
    additions = faults.read_each(table, "addition", partial(_addition, pitched=pitched, volume_l=volume_l))
    own = faults.read(lambda: _instruments(table), None)
    if faults.found:
        return tuple(faults.found)
    try:
        batch = Batch(
            name=name,
            volume_l=volume_l,
            pitched=pitched,
            original_gravity_sg=original_gravity_sg,
            expected_attenuation=expected_attenuation,
            temperature_c=temperature_c,
            vessel=VesselId(vessel),
            float_id=FloatId(float_id),
            plan=plan,
            additions=additions,
            instruments=own or instruments,
        )
        table.finish()
        _check_plan(table, batch.plan)
    except ValueError as error:
        return (table.wrong_as_a_whole(str(error)),)
    except TableError as error:
        return (error,)
    return batch


def _check_plan(table: Table, plan: tuple[PlanStep, ...]) -> None:
    """Not a rule of the value: a batch that was written down earlier must stay readable."""
    for before, after in pairwise(plan):
        if after.start == before.start:
            raise table.wrong_as_a_whole(f"two steps of the plan begin at {utc_text(after.start)}; keep one of them")


def _instruments(table: Table) -> HandSettings | None:
    return read_instruments(table.table("instruments")) if table.has("instruments") else None


def _original_gravity(table: Table) -> float | None:
    key = "original_gravity"
    low, high = ORIGINAL_SG
    typed = table.raw_value(key)
    if isinstance(typed, str) and typed.strip():
        raise table.wrong(
            key, f"write it without quotes and with a point: {key} = {typed.strip().replace(',', '.')[:20]}"
        )
    if isinstance(typed, int | float) and not isinstance(typed, bool) and high < typed < 1e4:
        meant = gravity_doubt(typed, low, high) or "as it reads on a hydrometer"
        raise table.wrong(key, f"must be 1.005 to 1.2 SG; {meant}")
    return table.optional_number(key, low=low, high=high, unit="SG")


def _attenuation(table: Table) -> tuple[float, float]:
    low, high = ATTENUATION
    return table.pair("expected_attenuation", low=low, high=high, unit="(fractions, not percent)")


def _wanted(table: Table) -> tuple[float, float]:
    key = "temperature_c"
    low, high = WANTED_C
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
        raise table.unusable(key, str(error)) from None


def _words(table: Table, key: str, default: str | None = None) -> str:
    text = table.text(key, default)
    if len(text) > _LONGEST_TEXT or not text.isprintable():
        raise table.wrong(key, f"must be one line of at most {_LONGEST_TEXT} characters, none of them invisible")
    return text


def _plan_step(table: Table, pitched: datetime) -> PlanStep:
    start = table.time("from")
    if start < pitched:
        raise table.wrong(
            "from", "lies before pitching; what is wanted from pitching on is the batch's own wanted range"
        )
    step = PlanStep(
        start=start,
        temperature_c=_wanted(table),
        label=_words(table, "label", ""),
    )
    table.finish()
    return step


def _addition(table: Table, pitched: datetime, volume_l: float) -> Addition:
    time = table.time("time")
    if time < pitched:
        raise table.wrong("time", "lies before pitching; leave it out: the original gravity holds what went in earlier")
    points, label = _weighed(table, _rise(table), _words(table, "label", ""), volume_l)
    addition = Addition(time=time, gravity_points=points, label=label)
    table.finish()
    return addition


def _weighed(table: Table, points: float | None, label: str, volume_l: float) -> tuple[float | None, str]:
    """Rise and name of an addition, where a sugar was weighed computed from its grams."""
    low, high = GRAMS
    grams = {each: table.optional_number(f"{each}_g", low=low, high=high, unit="g") for each in Sweetener}
    weighed = [(each, weight) for each, weight in grams.items() if weight is not None]
    if not weighed:
        return points, label
    sweetener, weight = weighed[0]
    key = f"{sweetener}_g"
    if points is not None:
        raise table.wrong(key, "give either the rise in points or the grams, not both")
    if len(weighed) > 1:
        raise table.wrong(key, f"and {weighed[1][0]}_g: write an addition for each sugar")
    if len(name := weighed_label(label, weight, sweetener)) > _LONGEST_TEXT:
        raise table.unusable("label", "is too long to have the grams beside it; shorten it")
    if volume_l <= 0.0:  # which is asked about by itself
        return None, name
    try:
        return rise_points(weight, sweetener, volume_l), name
    except InputError as error:
        raise table.wrong(key, error.reason) from None


def _rise(table: Table) -> float | None:
    key = "gravity_points"
    points = table.optional_number(key, low=0.0, high=100.0, unit="points")
    if points is not None and (doubt := points_doubt(points)):
        raise table.wrong(key, doubt)
    return points
