"""A batch as a person typed it: to a `Batch`, or to questions; and a batch as the fields of its form. Pure."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from gylewatch.batch_rules import WANTED_SINCE, heat_note, why_not_pitched
from gylewatch.batch_table import ATTENUATION, GRAMS, ORIGINAL_SG, VOLUME_L, WANTED_C, batch_or_faults
from gylewatch.likely import fahrenheit_doubt, percent_doubt
from gylewatch.toml_table import Table, TableError, must_be
from gylewatch.typed_number import thousands_doubt, without_unit
from gylewatch.units import celsius_from_fahrenheit, fahrenheit_from_celsius, sg_from_plato
from gylewatch.values import Batch, HandSettings, Unit
from gylewatch.weighed import Sweetener
from web import typed
from web.typed import Question, Unclear
from web.words import capital

SPARE_ROWS: Final = 3  # for steps and additions beside those that stand; more come with the next change
PLATO: Final = (1.3, 35.0)  # of an original gravity: from the least SG of one to where the table of °P ends
SURE: Final = "sure"  # the box that says that what was asked about is meant
_ROW: Final = re.compile(r"(plan|addition)_(\d{1,3})_\w+")
_TIME: Final = re.compile(r"pitched|plan_\d+_from|addition_\d+_time")
_NUMBER: Final = re.compile(
    r"volume|original_gravity|(attenuation|temperature|plan_\d+)_(low|high)|addition_\d+_(points|grams)"
)
_PLACE: Final = re.compile(r"(plan|addition)\[(\d+)\]\.(\w+)")
# By the key of the batch table: the field, and what a person calls it.
_FIELDS: Final = {
    "name": ("name", "Name"),
    "volume_l": ("volume", "Volume"),
    "pitched": ("pitched", "Pitched"),
    "original_gravity": ("original_gravity", "Original gravity"),
    "expected_attenuation": ("attenuation_low", "Expected attenuation"),
    "temperature_c": ("temperature_low", "Wanted temperature"),
}
_ROW_FIELDS: Final = {
    "from": ("from", "Begin"),
    "temperature_c": ("low", "Wanted temperature"),
    "time": ("time", "Time"),
    "gravity_points": ("points", "Rise"),
    **{f"{each}_g": ("grams", "Weight") for each in Sweetener},
    "label": ("label", "Name"),
}
_ORDER: Final = ("name", "volume", "pitched", "original_gravity", "attenuation", "temperature", "vessel", "float")
_UNITS: Final = {"volume": "l", "original_gravity": "SG", "attenuation_low": "%", "attenuation_high": "%"}
_ROW_NAMES: Final = {"plan": "step", "addition": "addition"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scale:
    """How a range is typed, and how it is kept."""

    unit: str
    limits: tuple[float, float] | None  # as typed; None: the batch table has the same ones
    shown: Callable[[float], float]
    kept: Callable[[float], float]
    doubt: Callable[[Sequence[float], float, float], str] = lambda *_: ""


_PERCENT: Final = _Scale(
    unit="%",
    limits=(100.0 * ATTENUATION[0], 100.0 * ATTENUATION[1]),
    shown=lambda share: 100.0 * share,
    kept=lambda percent: percent / 100.0,
    doubt=percent_doubt,
)
_AS_KEPT: Final = _Scale(unit="", limits=None, shown=lambda number: number, kept=lambda number: number)
_FAHRENHEIT: Final = _Scale(
    unit="°F",
    limits=(fahrenheit_from_celsius(WANTED_C[0]), fahrenheit_from_celsius(WANTED_C[1])),
    shown=fahrenheit_from_celsius,
    kept=celsius_from_fahrenheit,
    doubt=fahrenheit_doubt,
)


def _warmth(*, fahrenheit: bool) -> _Scale:
    return _FAHRENHEIT if fahrenheit else _AS_KEPT


def parse_batch(
    fields: Mapping[str, str],
    *,
    now: datetime,
    fahrenheit: bool,
    instruments: HandSettings,
    before: Batch | None = None,
) -> Batch | tuple[Question, ...]:
    """What was typed, as a batch, or every question it leaves open.

    Parameters
    ----------
    fields : as `batch_fields` names them, with ``new_float`` and ``new_vessel`` for names not known before; times are
        ISO 8601, UTC where they name no offset. Rows of which nothing is filled in count for nothing.
    now : UTC; the time of pitching where none was typed
    fahrenheit : temperatures were typed in °F
    instruments : those with which its samples are measured
    before : the batch that is changed: what still stands as its form showed it stays to the last digit. None: it is new
    """
    form = _Form(fields, before, fahrenheit=fahrenheit)
    document, rows = form.document(now)
    found = batch_or_faults(Table("", "", document), instruments)
    if not isinstance(found, Batch):
        for fault in found:
            form.doubt(fault, rows)
    elif why := why_not_pitched(found, now):
        form.ask("pitched", f"Pitched: {why}.")
    if form.asked or not isinstance(found, Batch):
        return tuple(sorted(form.asked, key=_place_on_form))
    return found


def doubts(batch: Batch, before: Batch | None, *, fahrenheit: bool) -> tuple[Question, ...]:
    """What may be meant as it stands but hardly is; a person who has looked again says so in the field `SURE`."""
    said = []
    if not fahrenheit and (hot := heat_note(batch, "otherwise confirm it below")):
        said.append(f"{capital(hot)}.")
    if before is not None and before.temperature_c != batch.temperature_c:
        said.append(
            f"The wanted temperature {WANTED_SINCE}enter it as a step with its time, and otherwise confirm it below."
        )
    return tuple(Question(field=SURE, sentence=sentence) for sentence in said)


def batch_fields(batch: Batch, *, fahrenheit: bool) -> dict[str, str]:
    """A batch as the fields of its form."""
    return {name: shown for name, (shown, _) in _known(batch, fahrenheit=fahrenheit).items()} | {
        "name": batch.name,
        "vessel": batch.vessel,
        "float": batch.float_id,
        **{f"plan_{n}_label": step.label for n, step in enumerate(batch.plan, start=1)},
        **{f"addition_{n}_label": each.label for n, each in enumerate(batch.additions, start=1)},
    }


def times_of(fields: Mapping[str, str]) -> frozenset[str]:
    """Those of the fields that hold a time."""
    return frozenset(name for name in fields if _TIME.fullmatch(name))


def numbers_of(fields: Mapping[str, str]) -> frozenset[str]:
    """Those of the fields that hold a number, and only one."""
    return frozenset(
        name for name in fields if _NUMBER.fullmatch(name) and not thousands_doubt(fields[name], _most(name))
    )


def rows_of(fields: Mapping[str, str], what: str) -> int:
    """How many rows of ``plan`` or ``addition`` the form has, for these fields."""
    filled = [int(found[2]) for name, text in fields.items() if text and (found := _ROW.fullmatch(name))
              and found[1] == what]  # fmt: skip
    return max(filled, default=0) + SPARE_ROWS


def fingerprint(batch: Batch) -> str:
    """Changes with every fact of a batch: what is changed must be what was looked at."""
    return hashlib.sha256(repr(batch).encode()).hexdigest()[:16]


def _most(field: str) -> float:
    """The largest number in a field, where a comma in it may stand between thousands."""
    return VOLUME_L[1] if field == "volume" else GRAMS[1] if field.endswith("_grams") else 0.0


def _known(batch: Batch, *, fahrenheit: bool) -> dict[str, tuple[str, Any]]:
    """By field, what the form of a batch shows and what is kept."""
    warm = _warmth(fahrenheit=fahrenheit)
    known: dict[str, tuple[str, Any]] = {
        "volume": (_shown(batch.volume_l), batch.volume_l),
        "pitched": (typed.minute(batch.pitched), batch.pitched),
        **_shown_pair("attenuation", batch.expected_attenuation, _PERCENT),
        **_shown_pair("temperature", batch.temperature_c, warm),
    }
    if batch.original_gravity_sg is not None:
        known["original_gravity"] = (f"{batch.original_gravity_sg:.4f}", batch.original_gravity_sg)
    for n, step in enumerate(batch.plan, start=1):
        known[f"plan_{n}_from"] = (typed.minute(step.start), step.start)
        known |= _shown_pair(f"plan_{n}", step.temperature_c, warm)
    for n, addition in enumerate(batch.additions, start=1):
        known[f"addition_{n}_time"] = (typed.minute(addition.time), addition.time)
        if addition.gravity_points is not None:
            known[f"addition_{n}_points"] = (_shown(addition.gravity_points), addition.gravity_points)
    return known


def _shown_pair(name: str, pair: tuple[float, float], scale: _Scale) -> dict[str, tuple[str, Any]]:
    return {f"{name}_{end}": (_shown(scale.shown(each)), each) for end, each in zip(("low", "high"), pair, strict=True)}


def _shown(number: float) -> str:
    return f"{number:.6g}"


class _Form:
    """The fields of one form, and the questions they leave."""

    def __init__(self, fields: Mapping[str, str], before: Batch | None, *, fahrenheit: bool) -> None:
        self._fields = fields
        self._before = before
        self._known = _known(before, fahrenheit=fahrenheit) if before else {}
        self._warm = _warmth(fahrenheit=fahrenheit)
        self._degrees = "°F" if fahrenheit else "°C"
        self.asked: list[Question] = []

    def ask(self, field: str, sentence: str) -> None:
        self.asked.append(Question(field=field, sentence=sentence))

    def document(self, now: datetime) -> tuple[dict[str, Any], dict[str, list[int]]]:
        """The batch table that was typed, and which row of the form each of its steps and additions is."""
        steps = sorted(self._steps(), key=lambda row: row[1]["from"])
        additions = self._additions()
        document = {
            "name": self._text("name", "What is the beer called?"),
            "volume_l": self._number("volume", "volume in litres"),
            "pitched": self._pitched(now),
            "original_gravity": self._original_gravity(),
            "expected_attenuation": self._pair("attenuation", "Expected attenuation", _PERCENT),
            "temperature_c": self._pair("temperature", "Wanted temperature", self._warm),
            "vessel": self._choice("vessel", "Which vessel is the beer in?"),
            "float": self._choice("float", "Which float lies in the beer?"),
            "plan": [step for _, step in steps],
            "addition": [addition for _, addition in additions],
        }
        rows = {"plan": [row for row, _ in steps], "addition": [row for row, _ in additions]}
        return {key: value for key, value in document.items() if value is not None}, rows

    def doubt(self, fault: TableError, rows: Mapping[str, Sequence[int]]) -> None:
        """Ask about a fault of the batch table, unless its field is asked about already."""
        field, label = self._place(fault.key, rows)
        if field and any(question.field.startswith(field.removesuffix("low")) for question in self.asked):
            return
        self.ask(field, _sentence(f"{label}: {fault.reason}" if label else fault.reason))

    def _place(self, key: str, rows: Mapping[str, Sequence[int]]) -> tuple[str, str]:
        if key in ("vessel", "float"):
            return (f"new_{key}" if self._fields.get(f"new_{key}", "").strip() else key), ""
        if found := _PLACE.fullmatch(key):
            what, row = found[1], rows[found[1]][int(found[2]) - 1]
            field, label = _ROW_FIELDS[found[3]]
            return f"{what}_{row}_{field}", f"{label} of {_ROW_NAMES[what]} {row}"
        return _FIELDS.get(key, ("", ""))

    def _text(self, name: str, question: str) -> str | None:
        text = self._fields.get(name, "").strip()
        if not text:
            self.ask(name, f"{question} The field is empty.")
        return text or None

    def _choice(self, name: str, question: str) -> str | None:
        chosen = self._fields.get(f"new_{name}", "").strip() or self._fields.get(name, "").strip()
        if not chosen:
            self.ask(name, f"{question} Choose one, or name a new one.")
        return chosen or None

    def _number(self, name: str, what: str, scale: _Scale = _AS_KEPT) -> float | None:
        if (kept := self._unchanged(name)) is not None:
            return float(kept)
        try:
            return scale.kept(typed.number(self._fields, name, what, most=_most(name), unit=self._unit(name)))
        except Unclear as unclear:
            self.asked.append(unclear.question)
            return None

    def _unit(self, name: str) -> str:
        """The unit of a field, as its label has it."""
        if name in _UNITS:
            return _UNITS[name]
        if name.endswith("_grams"):
            return "g"
        return "points" if name.endswith("_points") else self._degrees

    def _optional(self, name: str, what: str) -> float | None:
        return self._number(name, what) if self._fields.get(name, "").strip() else None

    def _original_gravity(self) -> float | None:
        """In SG; typed in °P where the unit beside it, or behind the number, says so."""
        name, what = "original_gravity", "original gravity"
        text = self._fields.get(name, "").strip()
        chosen = self._fields.get(f"{name}_unit", "").strip() == Unit.PLATO
        if not (chosen and text) and without_unit(text, Unit.PLATO) == text:
            return self._optional(name, what)
        try:
            plato = typed.number(self._fields, name, f"{what} in °P", unit=Unit.PLATO)
        except Unclear as unclear:
            self.asked.append(unclear.question)
            return None
        if PLATO[0] <= plato <= PLATO[1]:
            return sg_from_plato(plato)
        doubt = "; is that SG? choose that unit" if ORIGINAL_SG[0] <= plato <= ORIGINAL_SG[1] else ""
        self.ask(name, _sentence(f"Original gravity: {must_be(*PLATO, '°P')}{doubt}"))
        return None

    def _unchanged(self, name: str) -> Any:
        """What is kept of the batch before where the field still shows it; None: it does not."""
        shown, kept = self._known.get(name, ("", None))
        return kept if shown and self._fields.get(name, "").strip() == shown else None

    def _pair(self, name: str, label: str, scale: _Scale) -> list[float] | None:
        low = self._number(f"{name}_low", f"lower end of the {_lower(label)}", scale)
        high = self._number(f"{name}_high", f"upper end of the {_lower(label)}", scale)
        if low is None or high is None:
            return None
        pair = (scale.shown(low), scale.shown(high))
        least, most = scale.limits or WANTED_C
        if not all(least <= round(each, 6) <= most for each in pair):
            if scale.limits is None:
                return [low, high]  # the batch table asks
            doubt = scale.doubt(pair, least, most)
            allowed = must_be(least, most, scale.unit)
            self.ask(f"{name}_low", _sentence(f"{label}: {allowed}; {doubt}" if doubt else f"{label}: {allowed}"))
            return None
        if not low < high:
            self.ask(f"{name}_low", f"{label}: the lower end must lie below the upper end.")
            return None
        return [low, high]

    def _time(self, name: str, question: str) -> datetime | None:
        """The time in a field; None: there is none, and it was asked for."""
        try:
            found = typed.time(self._fields, name, question)
        except Unclear as unclear:
            self.asked.append(unclear.question)
            return None
        if found is None:
            self.ask(name, f"{question} The field is empty.")
            return None
        _, kept = self._known.get(name, ("", None))
        # The field shows minutes; a time kept to the second is not changed by being shown.
        return kept if kept is not None and typed.minute(kept) == typed.minute(found) else found

    def _pitched(self, now: datetime) -> datetime | None:
        if self._before is None and not self._fields.get("pitched", "").strip():
            return now.replace(microsecond=0)
        return self._time("pitched", "When was the yeast pitched?")

    def _steps(self) -> list[tuple[int, dict[str, Any]]]:
        found = []
        for row in self._rows("plan", ("from", "low", "high", "label")):
            start = self._time(f"plan_{row}_from", f"From when on is step {row} wanted?")
            wanted = self._pair(f"plan_{row}", f"Wanted temperature of step {row}", self._warm)
            if start is not None and wanted is not None:
                found.append((row, {"from": start, "temperature_c": wanted, "label": self._label(f"plan_{row}_label")}))
        return found

    def _additions(self) -> list[tuple[int, dict[str, Any]]]:
        found = []
        for row in self._rows("addition", ("time", "points", "grams", "label")):
            time = self._time(f"addition_{row}_time", f"When did addition {row} go in?")
            points = self._optional(f"addition_{row}_points", f"rise by addition {row} in points")
            grams = self._optional(f"addition_{row}_grams", f"weight of addition {row} in grams")
            if time is not None:
                sugar = self._fields.get(f"addition_{row}_sugar", "").strip() or Sweetener.SUCROSE
                known = {"gravity_points": points, f"{sugar}_g": grams}
                rise = {key: number for key, number in known.items() if number is not None}
                found.append((row, {"time": time, **rise, "label": self._label(f"addition_{row}_label")}))
        return found

    def _label(self, name: str) -> str:
        return self._fields.get(name, "").strip()

    def _rows(self, what: str, parts: Sequence[str]) -> list[int]:
        numbers = range(1, rows_of(self._fields, what) + 1)
        return [n for n in numbers if any(self._fields.get(f"{what}_{n}_{part}", "").strip() for part in parts)]


def _place_on_form(question: Question) -> tuple[int, int]:
    """Questions stand in the order of the fields, as they are read and answered."""
    field = question.field.removeprefix("new_")
    if found := _ROW.fullmatch(field):
        return len(_ORDER) + (found[1] == "addition"), int(found[2])
    return next((n for n, start in enumerate(_ORDER) if field.startswith(start)), -1), 0


def _lower(label: str) -> str:
    return label[:1].lower() + label[1:]


def _sentence(reason: str) -> str:
    return f"{capital(reason)}{'' if reason.endswith('?') else '.'}"
