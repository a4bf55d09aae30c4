"""Alert: something a person must be told, with its evidence. Values only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import NamedTuple

Evidence = Mapping[str, float | int | str | bool | None]


class Kind(StrEnum):
    FERMENTATION_STARTED = "fermentation-started"
    FERMENTATION_FINISHED = "fermentation-finished"
    ATTENUATION_PLATEAU = "attenuation-plateau"
    FERMENTATION_STALLED = "fermentation-stalled"
    TEMPERATURE_DRIFT = "temperature-drift"
    TEMPERATURE_OUT_OF_RANGE = "temperature-out-of-range"
    FLOAT_SILENT = "float-silent"
    FLOAT_STUCK = "float-stuck"
    BATTERY_LOW = "battery-low"
    BATTERY_WILL_NOT_LAST = "battery-will-not-last"
    CALIBRATION_SUSPECT = "calibration-suspect"
    GRAVITY_IMPLAUSIBLE = "gravity-implausible"


class Subject(NamedTuple):
    """What an alert is about: at most one alert of a subject is open in a batch."""

    kind: Kind
    cause: str = ""


class Severity(StrEnum):
    INFO = "info"
    WARNING = "warning"
    CRITICAL = "critical"


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert:
    """Raised (`resolves` is None) or ended (`resolves` names the kind that ended).

    Identity is batch + kind + cause + time.
    """

    time: datetime
    kind: Kind
    severity: Severity
    summary: str  # one sentence for a brewer
    evidence: Evidence  # the numbers the verdict rests on
    resolves: Kind | None = None
    cause: str = (
        ""  # where a kind tells of several things that may happen at once, which of them; stands in `evidence` too
    )

    @property
    def subject(self) -> Subject:
        """What it raises or ends."""
        return Subject(self.resolves or self.kind, self.cause)
