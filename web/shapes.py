"""The shapes of the API's JSON, and how our values become them. Names and units are the contract's."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, PlainSerializer

from alerts.alert import Kind, Severity
from calibration.hydrometry import HandGravity
from collector.packet import Rejected
from fermentation.estimate import Estimate, Phase
from gylewatch.values import Instrument, Reading, Sample, Unit, utc_text
from storage.records import AlertRecord, BatchRecord, FloatRecord
from web.graph import Graph

Time = Annotated[datetime, PlainSerializer(utc_text, return_type=str)]


class Shape(BaseModel):
    model_config = ConfigDict(from_attributes=True, frozen=True)


class PlanStepShape(Shape):
    start: Time
    temperature_c: tuple[float, float]
    label: str


class AdditionShape(Shape):
    time: Time
    gravity_points: float | None  # expected rise; null: not known
    label: str


class HandSettingsShape(Shape):
    """The instruments with which a batch's samples are measured."""

    hydrometer_calibration_c: float
    hydrometer_offset_sg: float
    hydrometer_meniscus_sg: float
    wort_correction_factor: float
    refractometer_compensates: bool


class BatchShape(Shape):
    batch_id: str
    name: str
    vessel: str
    float_id: str = Field(serialization_alias="float")
    volume_l: float
    pitched: Time
    ended: Time | None
    original_gravity_sg: float | None
    expected_attenuation: tuple[float, float]
    temperature_c: tuple[float, float]
    plan: tuple[PlanStepShape, ...]
    additions: tuple[AdditionShape, ...]
    curve_version: int | None
    instruments: HandSettingsShape


class ForecastShape(Shape):
    final_gravity_sg: float
    final_gravity_low_sg: float
    final_gravity_high_sg: float
    finish_time: Time | None
    finish_low: Time | None
    finish_high: Time | None


class EstimateShape(Shape):
    """Intervals (low, high) are central 80 % intervals; attenuation and alcohol of old estimates have none (null)."""

    time: Time
    gravity_sg: float
    gravity_low_sg: float
    gravity_high_sg: float
    rate_points_per_day: float
    rate_low_points_per_day: float
    rate_high_points_per_day: float
    original_gravity_sg: float
    apparent_attenuation: float
    apparent_attenuation_low: float | None
    apparent_attenuation_high: float | None
    real_attenuation: float
    abv_percent: float
    abv_low_percent: float | None
    abv_high_percent: float | None
    temperature_c: float
    phase: Phase
    forecast: ForecastShape | None


class ReadingShape(Shape):
    time: Time
    float_id: str = Field(serialization_alias="float")
    angle_deg: float
    temperature_c: float
    battery_v: float | None
    battery_percent: float | None
    rssi_dbm: int | None


class ProbeReadingShape(Shape):
    """What the vessel's own probe measured."""

    time: Time
    probe: str
    vessel: str
    temperature_c: float


class AlertShape(Shape):
    id: int
    batch_id: str
    time: Time
    kind: Kind
    severity: Severity
    summary: str
    evidence: Mapping[str, float | int | str | bool | None]
    resolves: Kind | None
    acknowledged_at: Time | None
    snoozed_until: Time | None


class SampleShape(Shape):
    id: int
    time: Time
    instrument: Instrument
    value: float
    unit: Unit
    sample_temperature_c: float


class NewSample(Shape):
    """One hand measurement as read; without a time it was taken now."""

    # A misspelt "time" would otherwise be now.
    model_config = ConfigDict(extra="forbid", frozen=True)

    instrument: str
    value: float | str
    unit: str
    sample_temperature_c: float | str
    time: str = ""


class FloatShape(Shape):
    float_id: str = Field(serialization_alias="float")
    created: Time
    note: str
    address: str | None
    last_heard: Time | None
    battery_v: float | None
    battery_percent: float | None
    rssi_dbm: int | None


class RefusalShape(Shape):
    received: Time
    source: str
    origin: str
    reason: str
    detail: str
    float_id: str | None = Field(serialization_alias="float")


class RejectedShape(Shape):
    counts: Mapping[str, int]  # by reason, since the database was made
    newest: tuple[RefusalShape, ...]


class IngestShape(Shape):
    """Given only after the accepted readings are committed."""

    accepted: int
    duplicate: int
    refused: tuple[RefusalShape, ...]


class PostedShape(Shape):
    after: int
    packets: tuple[str, ...]


class HealthShape(Shape):
    started: Time
    brokers: tuple[str, ...]
    readings_accepted: int
    readings_duplicate: int
    readings_refused: int
    queue_depth: int
    outbox: Mapping[str, int]
    problems: tuple[str, ...]


class WantedShape(Shape):
    start: Time
    end: Time
    temperature_c: tuple[float, float]


class SamplePointShape(Shape):
    time: Time
    gravity_sg: float
    sd_sg: float
    instrument: Instrument


class GapShape(Shape):
    """From the last estimate before hours without readings to the first one after."""

    start: Time
    end: Time


class GraphShape(Shape):
    """What the chart draws, by columns; gravity intervals are central 80 % intervals."""

    time: tuple[Time, ...]
    gravity_sg: tuple[float, ...]
    gravity_low_sg: tuple[float, ...]
    gravity_high_sg: tuple[float, ...]
    temperature_c: tuple[float, ...]
    wanted: tuple[WantedShape, ...]
    samples: tuple[SamplePointShape, ...]
    additions: tuple[AdditionShape, ...]
    gaps: tuple[GapShape, ...]
    probe_time: tuple[Time, ...]  # of the vessel's own probe; empty: it has none
    probe_temperature_c: tuple[float, ...]
    probe_gaps: tuple[GapShape, ...]
    forecast: ForecastShape | None


def batch_shape(record: BatchRecord) -> BatchShape:
    batch = record.batch
    return BatchShape(
        batch_id=record.batch_id,
        ended=record.ended,
        curve_version=record.curve_version,
        plan=tuple(PlanStepShape.model_validate(step) for step in batch.plan),
        additions=tuple(AdditionShape.model_validate(each) for each in batch.additions),
        name=batch.name,
        vessel=batch.vessel,
        float_id=batch.float_id,
        volume_l=batch.volume_l,
        pitched=batch.pitched,
        original_gravity_sg=batch.original_gravity_sg,
        expected_attenuation=batch.expected_attenuation,
        temperature_c=batch.temperature_c,
        instruments=HandSettingsShape.model_validate(batch.instruments),
    )


def estimate_shape(estimate: Estimate) -> EstimateShape:
    return EstimateShape.model_validate(estimate)


def alert_shape(record: AlertRecord) -> AlertShape:
    alert = record.alert
    return AlertShape(
        id=record.id,
        batch_id=record.batch_id,
        time=alert.time,
        kind=alert.kind,
        severity=alert.severity,
        summary=alert.summary,
        evidence=alert.evidence,
        resolves=alert.resolves,
        acknowledged_at=record.acknowledged_at,
        snoozed_until=record.snoozed_until,
    )


def sample_shape(identifier: int, sample: Sample) -> SampleShape:
    return SampleShape(
        id=identifier,
        time=sample.time,
        instrument=sample.instrument,
        value=sample.value,
        unit=sample.unit,
        sample_temperature_c=sample.sample_temperature_c,
    )


def float_shape(record: FloatRecord, last: Reading | None) -> FloatShape:
    return FloatShape(
        float_id=record.float_id,
        created=record.created,
        note=record.note,
        address=record.address,
        last_heard=last.time if last else None,
        battery_v=last.battery_v if last else None,
        battery_percent=last.battery_percent if last else None,
        rssi_dbm=last.rssi_dbm if last else None,
    )


def refusal_shape(rejected: Rejected) -> RefusalShape:
    return RefusalShape.model_validate(rejected)


def sample_point_shape(sample: HandGravity) -> SamplePointShape:
    return SamplePointShape.model_validate(sample)


def graph_shape(graph: Graph) -> GraphShape:
    rows = graph.estimates
    return GraphShape(
        time=tuple(row.time for row in rows),
        gravity_sg=tuple(row.gravity_sg for row in rows),
        gravity_low_sg=tuple(row.gravity_low_sg for row in rows),
        gravity_high_sg=tuple(row.gravity_high_sg for row in rows),
        temperature_c=tuple(row.temperature_c for row in rows),
        wanted=tuple(WantedShape.model_validate(wanted) for wanted in graph.wanted),
        samples=tuple(sample_point_shape(sample) for sample in graph.samples),
        additions=tuple(AdditionShape.model_validate(each) for each in graph.additions),
        gaps=tuple(GapShape(start=start, end=end) for start, end in graph.gaps),
        probe_time=tuple(reading.time for reading in graph.probe.readings),
        probe_temperature_c=tuple(reading.temperature_c for reading in graph.probe.readings),
        probe_gaps=tuple(GapShape(start=start, end=end) for start, end in graph.probe.gaps),
        forecast=ForecastShape.model_validate(graph.forecast) if graph.forecast else None,
    )
