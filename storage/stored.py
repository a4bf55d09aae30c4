"""Values to and from their stored form, without I/O: `from_x(to_x(value)) == value`."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, fields
from datetime import UTC, datetime
from operator import attrgetter
from typing import Any

from sqlalchemy import RowMapping

from alerts.alert import Alert, Evidence, Kind, Severity
from collector.packet import Reason, Rejected, Source
from fermentation.estimate import Estimate, Forecast, Phase
from gylewatch.values import (
    Addition,
    Batch,
    FloatId,
    HandSettings,
    Instrument,
    PlanStep,
    ProbeReading,
    Reading,
    Reference,
    Sample,
    Unit,
    VesselId,
    utc_text,
)
from storage.schema import NOT_RESOLVING

Json = dict[str, Any]
Columns = RowMapping

READING_COLUMNS = tuple(item.name for item in fields(Reading))
"""The columns of ``readings`` without its id, in the order of a row."""

_FORECAST_FIELDS = tuple(item.name for item in fields(Forecast))
_ESTIMATE_FIELDS = tuple(item.name for item in fields(Estimate) if item.name != "forecast")


def batch_to_json(batch: Batch) -> Json:
    """A batch with its plan and additions as what JSON can hold; times as ISO 8601 in UTC."""
    return {
        "name": batch.name,
        "pitched": utc_text(batch.pitched),
        "float": batch.float_id,
        "vessel": batch.vessel,
        "volume_l": batch.volume_l,
        "expected_attenuation": list(batch.expected_attenuation),
        "temperature_c": list(batch.temperature_c),
        "original_gravity_sg": batch.original_gravity_sg,
        "plan": [
            {"start": utc_text(step.start), "temperature_c": list(step.temperature_c), "label": step.label}
            for step in batch.plan
        ],
        "additions": [
            {"time": utc_text(item.time), "gravity_points": item.gravity_points, "label": item.label}
            for item in batch.additions
        ],
        "instruments": asdict(batch.instruments),
    }


def batch_from_json(document: Json) -> Batch:
    """The batch that `batch_to_json` was given."""
    return Batch(
        name=document["name"],
        pitched=_time_from_json(document["pitched"]),
        float_id=FloatId(document["float"]),
        vessel=VesselId(document["vessel"]),
        volume_l=document["volume_l"],
        expected_attenuation=_pair(document["expected_attenuation"]),
        temperature_c=_pair(document["temperature_c"]),
        original_gravity_sg=document["original_gravity_sg"],
        plan=tuple(
            PlanStep(
                start=_time_from_json(step["start"]), temperature_c=_pair(step["temperature_c"]), label=step["label"]
            )
            for step in document["plan"]
        ),
        additions=tuple(
            Addition(time=_time_from_json(item["time"]), gravity_points=item["gravity_points"], label=item["label"])
            for item in document["additions"]
        ),
        # Batches of before they could be stated hold none.
        instruments=HandSettings(**document.get("instruments", {})),
    )


def references_to_json(references: Sequence[Reference]) -> list[Json]:
    """Reference points as what JSON can hold."""
    return [asdict(reference) for reference in references]


def references_from_json(documents: Sequence[Json]) -> tuple[Reference, ...]:
    """The reference points that `references_to_json` was given."""
    return tuple(Reference(**document) for document in documents)


reading_to_row: Callable[[Reading], tuple[Any, ...]] = attrgetter(*READING_COLUMNS)
"""The values of `READING_COLUMNS`, for a driver that takes times as they are."""


def reading_to_text_row(reading: Reading) -> tuple[Any, ...]:
    """The same with the time as SQLite keeps it: in UTC, to the microsecond, without zone."""
    time, *values = reading_to_row(reading)
    return (time.replace(tzinfo=None).isoformat(" ", "microseconds"), *values)


def reading_from_columns(row: Columns) -> Reading:
    """The reading of a row of ``readings``."""
    return Reading(**{name: row[name] for name in READING_COLUMNS})


def probe_reading_from_columns(row: Columns) -> ProbeReading:
    """The reading of a row of ``probe_readings``."""
    return ProbeReading(
        time=row["time"], probe=row["probe"], vessel=VesselId(row["vessel_id"]), temperature_c=row["temperature_c"]
    )


def sample_to_columns(sample: Sample) -> Json:
    """A row of ``samples`` without its id and batch."""
    return asdict(sample)


def sample_from_columns(row: Columns) -> Sample:
    """The sample of a row of ``samples``."""
    return Sample(
        time=row["time"],
        instrument=Instrument(row["instrument"]),
        value=row["value"],
        unit=Unit(row["unit"]),
        sample_temperature_c=row["sample_temperature_c"],
    )


def rejected_to_columns(rejected: Rejected) -> Json:
    """A row of ``rejected`` without its id."""
    return asdict(rejected)


def rejected_from_columns(row: Columns) -> Rejected:
    """The refused packet of a row of ``rejected``."""
    return Rejected(
        received=row["received"],
        source=Source(row["source"]),
        origin=row["origin"],
        reason=Reason(row["reason"]),
        detail=row["detail"],
        payload=row["payload"],
        float_id=row["float_id"],
    )


def estimate_to_columns(estimate: Estimate) -> Json:
    """A row of ``estimates`` without its batch."""
    columns = {name: getattr(estimate, name) for name in _ESTIMATE_FIELDS}
    for name in _FORECAST_FIELDS:
        columns[f"forecast_{name}"] = None if estimate.forecast is None else getattr(estimate.forecast, name)
    return columns


def estimate_from_columns(row: Columns) -> Estimate:
    """The estimate of a row of ``estimates``."""
    forecast = {name: row[f"forecast_{name}"] for name in _FORECAST_FIELDS}
    columns = {name: row[name] for name in _ESTIMATE_FIELDS}
    return Estimate(
        **{**columns, "phase": Phase(row["phase"])},
        forecast=None if forecast["final_gravity_sg"] is None else Forecast(**forecast),
    )


def alert_to_columns(alert: Alert) -> Json:
    """A row of ``alerts`` without its id, its batch and what people did about it."""
    return {
        "time": alert.time,
        "kind": alert.kind,
        "cause": alert.cause,
        "resolves": NOT_RESOLVING if alert.resolves is None else alert.resolves,
        "severity": alert.severity,
        "summary": alert.summary,
        "evidence": finite(alert.evidence),
    }


def alert_from_columns(row: Columns) -> Alert:
    """The alert of a row of ``alerts``."""
    return Alert(
        time=row["time"],
        kind=Kind(row["kind"]),
        severity=Severity(row["severity"]),
        summary=row["summary"],
        evidence=row["evidence"],
        resolves=None if row["resolves"] == NOT_RESOLVING else Kind(row["resolves"]),
        cause=row["cause"],
    )


def finite(values: Evidence) -> dict[str, float | int | str | bool | None]:
    """Named values with null in place of infinity and NaN, which JSON (RFC 8259) cannot hold."""
    return {
        name: None if isinstance(value, float) and not math.isfinite(value) else value for name, value in values.items()
    }


def _pair(values: Sequence[float]) -> tuple[float, float]:
    low, high = values
    return (low, high)


def _time_from_json(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)
