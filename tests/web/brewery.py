"""A store with a brewery in it, made of arithmetic alone, and the application over it."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from fastapi import FastAPI

from alerts.alert import Alert, Kind, Severity
from collector.packet import Packet
from fermentation.estimate import Estimate, Forecast, Phase
from gylewatch.values import (
    Batch,
    BatchId,
    FloatId,
    Instrument,
    PlanStep,
    ProbeReading,
    Reading,
    Sample,
    Unit,
    VesselId,
)
from storage.records import FloatRecord, VesselRecord
from storage.store import Store
from web.app import create_app
from web.health import ServiceHealth
from web.ingest import IngestResult
from web.settings import HttpSettings
from web.trial import ChannelTrial

PITCHED = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)
NOW = PITCHED + timedelta(days=6)
TOKEN = "0123456789abcdef0123"
HERON = FloatId("heron")
OG_SG, FG_SG = 1.0520, 1.0120


def open_store(directory: Path) -> Store:
    return Store.open(f"sqlite:///{directory / 'brewery.db'}")


def harbour_pale(name: str = "Harbour Pale", float_id: str = "heron", vessel: str = "FV1") -> Batch:
    return Batch(
        name=name,
        pitched=PITCHED,
        float_id=FloatId(float_id),
        vessel=VesselId(vessel),
        volume_l=21.0,
        expected_attenuation=(0.74, 0.80),
        temperature_c=(18.0, 20.5),
        original_gravity_sg=OG_SG,
        plan=(PlanStep(start=PITCHED + timedelta(days=5), temperature_c=(20.0, 22.5), label="rest"),),
    )


def add_batch(store: Store, batch: Batch) -> BatchId:
    if batch.float_id not in store.float_ids():
        store.add_float(FloatRecord(float_id=batch.float_id, created=PITCHED))
    if batch.vessel not in {vessel.vessel_id for vessel in store.vessels()}:
        store.add_vessel(VesselRecord(vessel_id=batch.vessel, created=PITCHED))
    return store.add_batch(batch, created=PITCHED).batch_id


def estimate(hours: float, **changes: object) -> Estimate:
    """A batch whose gravity follows a logistic curve with its middle at 60 h."""
    share = 1 / (1 + math.exp((hours - 60) / 12))
    gravity = FG_SG + (OG_SG - FG_SG) * share
    rate = 1000 * (OG_SG - FG_SG) * share * (1 - share) / 12 * 24
    half = 0.0008 + 0.0022 * share * (1 - share) * 4
    finish = PITCHED + timedelta(hours=130)
    values: dict[str, object] = {
        "time": PITCHED + timedelta(hours=hours),
        "gravity_sg": gravity,
        "gravity_low_sg": gravity - half,
        "gravity_high_sg": gravity + half,
        "rate_points_per_day": rate,
        "rate_low_points_per_day": rate - 0.5,
        "rate_high_points_per_day": rate + 0.5,
        "original_gravity_sg": OG_SG,
        "apparent_attenuation": (OG_SG - gravity) / (OG_SG - 1),
        "real_attenuation": 0.82 * (OG_SG - gravity) / (OG_SG - 1),
        "abv_percent": 131.25 * (OG_SG - gravity),  # common practice, no source; any number would do here
        "temperature_c": 19 + 0.6 * math.sin(hours / 9) + (2 if hours > 120 else 0),
        "phase": Phase.LAG if hours < 20 else Phase.ACTIVE if hours < 90 else Phase.SLOWING,
        "forecast": None
        if hours < 24
        else Forecast(
            final_gravity_sg=FG_SG,
            final_gravity_low_sg=FG_SG - 0.001,
            final_gravity_high_sg=FG_SG + 0.001,
            finish_time=finish,
            finish_low=finish - timedelta(hours=10),
            finish_high=finish + timedelta(hours=14),
        ),
        "probability_started": 1.0,
        "probability_still": 0.0,
        "probability_attenuated": 0.0,
        "bias_points": 0.0,
        "noise_points": 1.0,
        "misfit_sigma": 0.0,
        "apparent_attenuation_low": (OG_SG - gravity - half) / (OG_SG - 1),
        "apparent_attenuation_high": (OG_SG - gravity + half) / (OG_SG - 1),
        "abv_low_percent": 131.25 * (OG_SG - gravity - half),
        "abv_high_percent": 131.25 * (OG_SG - gravity + half),
    }
    return Estimate(**(values | changes))  # type: ignore[arg-type]


def estimates(hours: float, every_h: float = 0.25) -> tuple[Estimate, ...]:
    return tuple(estimate(index * every_h) for index in range(int(hours / every_h) + 1))


def reading(hours: float, float_id: str = "heron") -> Reading:
    return Reading(
        time=PITCHED + timedelta(hours=hours),
        float_id=FloatId(float_id),
        angle_deg=45.0,
        temperature_c=19.2,
        battery_v=3.84,
        rssi_dbm=-67,
    )


def probed(hours: float, temperature_c: float = 18.4, vessel: str = "FV1") -> ProbeReading:
    return ProbeReading(
        time=PITCHED + timedelta(hours=hours), probe="thermowell", vessel=VesselId(vessel), temperature_c=temperature_c
    )


def started() -> Alert:
    return Alert(
        time=PITCHED + timedelta(hours=22),
        kind=Kind.FERMENTATION_STARTED,
        severity=Severity.INFO,
        summary="The gravity has begun to fall about 22 hours after pitching, at first by 2.1 points a day.",
        evidence={"drop_points": 2.1, "probability": 0.97},
    )


def finished() -> Alert:
    return Alert(
        time=PITCHED + timedelta(hours=118),
        kind=Kind.FERMENTATION_FINISHED,
        severity=Severity.INFO,
        summary="The beer has come to rest at 1.0118, 77% apparent attenuation.",
        evidence={"sustained_h": 24.0},
    )


def too_warm() -> Alert:
    return Alert(
        time=PITCHED + timedelta(hours=121),
        kind=Kind.TEMPERATURE_OUT_OF_RANGE,
        severity=Severity.WARNING,
        summary="The beer is at 22.7 °C, above the wanted 20.0 to 22.5 °C.",
        evidence={"temperature_c": 22.7, "wanted_high_c": 22.5},
    )


def hydrometer_sample(hours: float = 64.0) -> Sample:
    return Sample(
        time=PITCHED + timedelta(hours=hours),
        instrument=Instrument.HYDROMETER,
        value=1.028,
        unit=Unit.SG,
        sample_temperature_c=19.0,
    )


def fill(store: Store, *, hours: float = 118.0) -> BatchId:
    """One batch after `hours`, with readings, estimates, a sample and alerts."""
    batch_id = add_batch(store, harbour_pale())
    store.append_readings([reading(hour) for hour in range(int(hours))])
    store.add_sample(batch_id, hydrometer_sample())
    store.save_outcomes(batch_id, estimates=estimates(hours), alerts=[started(), too_warm()])
    return batch_id


def all_is_well() -> ServiceHealth:
    return ServiceHealth(
        started=PITCHED, brokers=("The broker at 127.0.0.1 is connected.",), readings_accepted=118, outbox=(("due", 1),)
    )


def application(
    store: Store,
    *,
    ingest: Callable[[Packet], IngestResult] | None = None,
    settings: HttpSettings | None = None,
    health: Callable[[], ServiceHealth] = all_is_well,
    try_channels: Callable[[], tuple[ChannelTrial, ...]] | None = None,
    now: datetime = NOW,
    clock: Callable[[], datetime] | None = None,
) -> FastAPI:
    return create_app(
        store,
        clock=clock or (lambda: now),
        ingest=ingest,
        settings=settings or HttpSettings(token=TOKEN),
        health=health,
        try_channels=try_channels,
    )
