"""A hand measurement as a person typed it: to a `Sample`, or to questions. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from functools import partial

from calibration.hydrometry import batch_gravity
from gylewatch.errors import InputError, OutOfDomain
from gylewatch.units import celsius_from_fahrenheit
from gylewatch.values import Batch, Instrument, Sample, Unit
from web import typed
from web.typed import Question, Unclear
from web.words import capital

UNITS_OF = {
    Instrument.HYDROMETER: (Unit.SG, Unit.PLATO, Unit.BRIX, Unit.G_PER_CM3),
    Instrument.REFRACTOMETER: (Unit.BRIX, Unit.PLATO, Unit.SG),
    Instrument.DENSITY_METER: (Unit.G_PER_CM3, Unit.SG, Unit.PLATO, Unit.BRIX),
}
EARLIEST = timedelta(days=2)  # before pitching: a wort may be measured on brew day, not weeks before
_CLOCK_SLACK = timedelta(minutes=5)  # between the viewer's clock and ours


def _value(fields: Mapping[str, str]) -> float:
    return typed.number(fields, "value", "reading of the instrument", unit=fields.get("unit", ""))


def _warmth(fields: Mapping[str, str], *, fahrenheit: bool) -> float:
    return typed.number(fields, "sample_temperature", "temperature of the sample", unit="°F" if fahrenheit else "°C")


def _time(fields: Mapping[str, str], now: datetime, pitched: datetime) -> datetime:
    time = typed.time(fields, "time", "When was it taken?")
    if time is None:
        return now
    if time > now + _CLOCK_SLACK:
        raise Unclear("time", "When was it taken? The time given lies in the future.")
    _not_before(time, pitched)
    return time


def _not_before(time: datetime, pitched: datetime) -> None:
    if pitched - time > EARLIEST:
        sentence = f"When was it taken? The time given lies more than {EARLIEST.days} days before the beer was pitched."
        raise Unclear("time", sentence)


def check_sample_time(sample: Sample, *, now: datetime, pitched: datetime) -> None:
    """Refuse a sample, from a file, of a time that cannot be the batch's.

    Raises
    ------
    InputError
        It lies in the future or more than `EARLIEST` before pitching.
    """
    try:
        _time({"time": sample.time.isoformat()}, now, pitched)
    except Unclear as unclear:
        raise InputError(f"sample of {sample.time.isoformat()}", unclear.question.sentence) from None


def _instrument(fields: Mapping[str, str]) -> Instrument:
    try:
        return Instrument(fields.get("instrument", ""))
    except ValueError as error:
        raise Unclear("instrument", f"Which instrument was it: {', '.join(Instrument)}?") from error


def _unit(fields: Mapping[str, str]) -> Unit:
    if fields.get("instrument") not in UNITS_OF:
        return Unit.SG  # the question is about the instrument
    instrument = _instrument(fields)
    unit = next((unit for unit in UNITS_OF[instrument] if unit == fields.get("unit")), None)
    if unit is None:
        raise Unclear("unit", f"Which unit does the {instrument} show: {', '.join(UNITS_OF[instrument])}?")
    return unit


def parse_sample(
    fields: Mapping[str, str], batch: Batch, *, now: datetime, fahrenheit: bool
) -> Sample | tuple[Question, ...]:
    """What was typed, as a sample, or every question it leaves open.

    Parameters
    ----------
    fields : ``instrument``, ``unit``, ``value``, ``sample_temperature`` and ``time`` (ISO 8601; UTC where it names no
        offset; empty = now)
    now : UTC
    fahrenheit : the sample temperature was typed in °F
    batch : of which it was drawn

    Returns
    -------
    a sample that `calibration.hydrometry.batch_gravity` can correct, or at least one question
    """
    warmth = partial(_warmth, fahrenheit=fahrenheit)
    questions = [
        question
        for ask in (_instrument, _unit, _value, warmth, lambda given: _time(given, now, batch.pitched))
        if (question := _asked(ask, fields)) is not None
    ]
    if questions:
        return tuple(questions)
    typed_temperature = warmth(fields)
    if fahrenheit and typed_temperature < 32:
        sentence = f"Did you mean {typed_temperature:g} °C? The field is in °F, and that would be below freezing."
        return (Question(field="sample_temperature", sentence=sentence),)
    try:
        sample = Sample(
            time=_time(fields, now, batch.pitched),
            instrument=_instrument(fields),
            unit=_unit(fields),
            value=_value(fields),
            sample_temperature_c=celsius_from_fahrenheit(typed_temperature) if fahrenheit else typed_temperature,
        )
        batch_gravity(batch, sample)
    except InputError as error:
        return (_doubt(error.reason),)
    except (OutOfDomain, ValueError) as error:
        return (_doubt(str(error)),)
    return sample


def _asked(ask: Callable[[Mapping[str, str]], object], fields: Mapping[str, str]) -> Question | None:
    try:
        ask(fields)
    except Unclear as unclear:
        return unclear.question
    return None


def _doubt(reason: str) -> Question:
    return Question(field="value", sentence=f"Is that right? {capital(reason)}.")
