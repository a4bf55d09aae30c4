"""The words of the trade as immutable values. Imports nothing of ours but the errors.

A value that exists is valid: ``__post_init__`` checks it. Conversion happens at the edge. Times are aware and UTC.
"""

from __future__ import annotations

import hashlib
import math
import re
import unicodedata
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from functools import lru_cache
from itertools import pairwise
from typing import NewType

FloatId = NewType("FloatId", str)
"""The name the user gives a float; also its MQTT topic level."""
VesselId = NewType("VesselId", str)
BatchId = NewType("BatchId", str)
"""Lower-case slug made from the batch's name, unique in one database; also an MQTT topic level and a URL part."""

ANGLE_RANGE_DEG = (0.0, 180.0)
# 180 degrees, a float upside down, is a packet fault and no gravity, but a legal angle: `collector.admit` refuses it.
TEMPERATURE_RANGE_C = (-20.0, 110.0)
# Below: an unplugged digital thermometer commonly reports -127 degrees; above: hotter than any liquor.
GRAVITY_RANGE_SG = (0.970, 1.250)
SOLUTION_RANGE_C = (0.0, 60.0)

HYDROMETER_CALIBRATION_C = (-2.0, 45.0)
HYDROMETER_OFFSET_SG = (-0.05, 0.05)
MENISCUS_SG = (-0.005, 0.005)
WORT_FACTOR_RANGE = (0.9, 1.15)
WORT_CORRECTION_FACTOR = 1.04
# Malt wort refracts more than sucrose of equal extract; usual 1.00 to 1.06 (common practice, from memory).

_SLUG_LENGTH = 48
# Latin letters that are no plain letter with an accent.
_LATIN = str.maketrans({"æ": "ae", "ø": "o", "œ": "oe", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "ı": "i"})

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,62}")


@lru_cache(1024)  # every reading of a few floats asks
def is_name(name: str) -> bool:
    """Whether :func:`check_name` takes it."""
    return _NAME.fullmatch(name) is not None


def check_name(what: str, name: str) -> str:
    """Return `name` if it can serve as a topic level, file part and URL part.

    Raises
    ------
    ValueError
        The name is empty, too long, or holds another character than letters, digits, ``_``, ``.`` and ``-``.
    """
    if not is_name(name):
        raise ValueError(
            f"{what} name {name!r} is not usable: 1 to 63 plain letters (a to z, A to Z), digits, '_', '.' or '-', the "
            "first a letter or digit"
        )
    return name


def slug(name: str) -> str:
    """A batch's name as an identifier: lower case, without accents; everything but a to z and digits becomes ``-``.

    Where letters of another script were left out, or the end, a few digits keep different names apart.
    """
    plain = unicodedata.normalize("NFKD", name).casefold().translate(_LATIN)
    words = re.sub(r"[^a-z0-9]+", "-", "".join(c for c in plain if not unicodedata.combining(c))).strip("-")
    lost = any(ord(c) > 127 and c.isalpha() for c in plain) or len(words) > _SLUG_LENGTH
    if not lost and words:
        return words
    mark = hashlib.sha256(unicodedata.normalize("NFC", name).encode("utf-8", "surrogatepass")).hexdigest()[:6]
    return f"{words[: _SLUG_LENGTH - 7].strip('-') or 'batch'}-{mark}"


def natural_order(name: str) -> tuple[tuple[object, ...], str]:
    """A sorting key under which FV2 stands before FV10, and upper and lower case beside each other."""
    parts = re.split(r"([0-9]+)", name)
    # A number by its length, then its digits: names may hold more digits than Python reads as an integer.
    return tuple(_digits(part) if place % 2 else part.casefold() for place, part in enumerate(parts)), name


def _digits(text: str) -> tuple[int, str]:
    significant = text.lstrip("0")
    return len(significant), significant


def utc_text(time: datetime, timespec: str = "auto") -> str:
    """ISO 8601 in UTC with ``Z``, as in every file and message of the contract; `timespec` as in `isoformat`."""
    there = time if time.tzinfo is UTC else time.astimezone(UTC)
    return there.isoformat(timespec=timespec).replace("+00:00", "Z")


def minute_text(time: datetime) -> str:
    """A time to the minute in UTC, for people: ``2026-03-05 18:30Z``."""
    return f"{time.astimezone(UTC):%Y-%m-%d %H:%MZ}"


def _check_utc(what: str, time: datetime) -> None:
    if time.tzinfo is UTC:
        return
    if time.tzinfo is None or time.utcoffset() != UTC.utcoffset(None):
        raise ValueError(f"{what} must be in UTC, got {time.isoformat()}")


def _check_range(what: str, value: float, low: float, high: float, unit: str) -> None:
    if not low <= value <= high:  # NaN neither
        raise ValueError(f"{what} {value:g} {unit} is outside {low:g} to {high:g} {unit}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One decoded, accepted packet of one float."""

    time: datetime  # when the float measured, not when it was heard
    float_id: FloatId
    angle_deg: float  # from vertical
    temperature_c: float
    battery_v: float | None = None
    battery_percent: float | None = None
    rssi_dbm: int | None = None
    acceleration_g: float | None = None  # |a| of a float with three axes; away from 1 it was moving

    def __post_init__(self) -> None:
        _check_utc("a reading's time", self.time)
        check_name("float", self.float_id)
        _check_range("angle", self.angle_deg, *ANGLE_RANGE_DEG, "deg")
        _check_range("temperature", self.temperature_c, *TEMPERATURE_RANGE_C, "°C")


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeReading:
    """One temperature that a vessel's own probe has reported."""

    time: datetime  # when the probe measured, or when it was heard where it does not say
    probe: str  # its name in the configuration
    vessel: VesselId  # in which it sat then
    temperature_c: float

    def __post_init__(self) -> None:
        _check_utc("a probe's time", self.time)
        check_name("probe", self.probe)
        check_name("vessel", self.vessel)
        _check_range("temperature", self.temperature_c, *TEMPERATURE_RANGE_C, "°C")


class Instrument(StrEnum):
    HYDROMETER = "hydrometer"
    REFRACTOMETER = "refractometer"
    DENSITY_METER = "density-meter"


class Unit(StrEnum):
    SG = "SG"
    BRIX = "Brix"
    PLATO = "Plato"
    G_PER_CM3 = "g/cm3"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One hand measurement of a drawn sample, as read, before any correction."""

    time: datetime
    instrument: Instrument
    value: float
    unit: Unit
    sample_temperature_c: float

    def __post_init__(self) -> None:
        _check_utc("a sample's time", self.time)
        _check_range("sample temperature", self.sample_temperature_c, 0.0, 100.0, "°C")
        if not math.isfinite(self.value):
            raise ValueError(f"a sample's value must be a number, got {self.value}")


@dataclass(frozen=True, slots=True, kw_only=True)
class HandSettings:
    """What the user knows of his own instruments; unchanged, the contract's."""

    hydrometer_calibration_c: float = 20.0  # at which its scale is true; 15.56 for 60 °F
    hydrometer_offset_sg: float = 0.0  # added to what is read: minus its error in water
    hydrometer_meniscus_sg: float = 0.0  # added when read at the top of the meniscus, commonly 0.001
    wort_correction_factor: float = WORT_CORRECTION_FACTOR
    refractometer_compensates: bool = True  # automatic temperature compensation, as all but the cheapest have

    def __post_init__(self) -> None:
        _check_range("hydrometer calibration", self.hydrometer_calibration_c, *HYDROMETER_CALIBRATION_C, "°C")
        _check_range("hydrometer offset", self.hydrometer_offset_sg, *HYDROMETER_OFFSET_SG, "SG")
        _check_range("hydrometer meniscus", self.hydrometer_meniscus_sg, *MENISCUS_SG, "SG")
        _check_range("wort correction factor", self.wort_correction_factor, *WORT_FACTOR_RANGE, "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """One reference point: the float's angle in a solution of known gravity."""

    float_id: FloatId
    angle_deg: float
    gravity_sg: float  # SG 20/20 of the solution
    temperature_c: float  # of the solution while the float lay in it
    angle_sd_deg: float | None = None  # None: not stated
    gravity_sd_sg: float | None = None

    def __post_init__(self) -> None:
        check_name("float", self.float_id)
        _check_range("angle", self.angle_deg, *ANGLE_RANGE_DEG, "deg")
        _check_range("gravity", self.gravity_sg, *GRAVITY_RANGE_SG, "SG")
        _check_range("temperature", self.temperature_c, *SOLUTION_RANGE_C, "°C")
        for what, sd in (("angle_sd", self.angle_sd_deg), ("gravity_sd", self.gravity_sd_sg)):
            if sd is not None and not (math.isfinite(sd) and sd >= 0):
                raise ValueError(f"{what} must not be negative, got {sd:g}")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanStep:
    """A planned change of the wanted temperature."""

    start: datetime
    temperature_c: tuple[float, float]
    label: str = ""

    def __post_init__(self) -> None:
        _check_utc("a plan step's start", self.start)
        if not self.temperature_c[0] < self.temperature_c[1]:
            raise ValueError(f"plan step {self.label!r}: temperature_c must be [low, high] with low below high")


@dataclass(frozen=True, slots=True, kw_only=True)
class Addition:
    """A declared addition (sugar, fruit) that may raise the gravity."""

    time: datetime
    gravity_points: float | None = None  # expected rise in points; None: unknown
    label: str = ""

    def __post_init__(self) -> None:
        _check_utc("an addition's time", self.time)


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """One beer in one vessel, from pitching to packaging."""

    name: str
    pitched: datetime
    float_id: FloatId
    vessel: VesselId
    volume_l: float
    expected_attenuation: tuple[float, float]  # apparent, fractions
    temperature_c: tuple[float, float]  # wanted range
    original_gravity_sg: float | None = None  # measured at pitching
    plan: tuple[PlanStep, ...] = field(default=())  # in order of time
    additions: tuple[Addition, ...] = field(default=())
    instruments: HandSettings = HandSettings()  # with which its samples are measured

    def __post_init__(self) -> None:
        _check_utc("pitched", self.pitched)
        check_name("float", self.float_id)
        check_name("vessel", self.vessel)
        if not self.name.strip():
            raise ValueError("a batch needs a name")
        _check_range("volume_l", self.volume_l, 0.1, 1e6, "l")
        low, high = self.expected_attenuation
        if not 0.2 <= low < high <= 1.2:
            raise ValueError(
                f"expected_attenuation [{low:g}, {high:g}] must be [low, high] as fractions, e.g. [0.74, 0.80]"
            )
        if not self.temperature_c[0] < self.temperature_c[1]:
            raise ValueError("temperature_c must be [low, high] with low below high")
        for degrees in self.temperature_c:
            _check_range("temperature_c", degrees, -5.0, 50.0, "°C")
        if self.original_gravity_sg is not None:
            _check_range("original_gravity", self.original_gravity_sg, 1.005, 1.200, "SG")
        for before, after in pairwise(self.plan):
            if after.start < before.start:
                raise ValueError(
                    f"the plan's step from {utc_text(after.start)} stands below a later one; "
                    "write the steps in order of time"
                )

    def wanted_temperature_c(self, time: datetime) -> tuple[float, float]:
        """The wanted range that is in force at `time`."""
        wanted = self.temperature_c
        for step in self.plan:
            if step.start <= time:
                wanted = step.temperature_c
        return wanted
