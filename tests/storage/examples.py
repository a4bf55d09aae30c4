"""Values for the tests of the store."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from alerts.alert import Alert, Kind, Severity
from calibration.curve import Curve
from calibration.fit import fit_curve
from collector.packet import Reason, Rejected, Source
from fermentation.estimate import Estimate, Forecast, Phase
from gylewatch.values import Batch, FloatId, Instrument, Reading, Reference, Sample, Unit, VesselId
from storage.records import FloatRecord, VesselRecord

PITCHED = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)


def at(minutes: float) -> datetime:
    return PITCHED + timedelta(minutes=minutes)


def float_record(name: str, **changes: Any) -> FloatRecord:
    return FloatRecord(float_id=FloatId(name), created=PITCHED, **changes)


def vessel_record(name: str) -> VesselRecord:
    return VesselRecord(vessel_id=VesselId(name), created=PITCHED, volume_l=30.0, note="steel")


def reading(minutes: float, *, name: str = "heron", angle_deg: float = 61.25) -> Reading:
    return Reading(
        time=at(minutes),
        float_id=FloatId(name),
        angle_deg=angle_deg,
        temperature_c=19.1,
        battery_v=3.9,
        battery_percent=80.0,
        rssi_dbm=-67,
        acceleration_g=1.01,
    )


def batch(name: str = "Harbour Pale", **changes: Any) -> Batch:
    facts: dict[str, Any] = {
        "pitched": PITCHED,
        "float_id": FloatId("heron"),
        "vessel": VesselId("FV1"),
        "volume_l": 21.0,
        "expected_attenuation": (0.74, 0.80),
        "temperature_c": (18.0, 20.5),
    }
    return Batch(name=name, **{**facts, **changes})


def sample(minutes: float, value: float = 1.0405) -> Sample:
    return Sample(
        time=at(minutes), instrument=Instrument.HYDROMETER, value=value, unit=Unit.SG, sample_temperature_c=19.5
    )


def references(name: str = "heron") -> tuple[Reference, ...]:
    return tuple(
        Reference(float_id=FloatId(name), angle_deg=angle, gravity_sg=gravity, temperature_c=20.0, angle_sd_deg=0.2)
        for angle, gravity in ((25.0, 1.000), (43.0, 1.030), (56.0, 1.060), (64.0, 1.090))
    )


def curve(name: str = "heron") -> Curve:
    return fit_curve(references(name))


def rejected(reason: Reason = Reason.OUT_OF_RANGE, detail: str = "angle 180 deg is a fault") -> Rejected:
    return Rejected(
        received=PITCHED, source=Source.MQTT, origin="a/topic", reason=reason, detail=detail, payload=b"\x00\xff{}"
    )


def estimate(minutes: float, *, forecast: bool = True, gravity_sg: float = 1.0312) -> Estimate:
    return Estimate(
        time=at(minutes),
        gravity_sg=gravity_sg,
        gravity_low_sg=1.0295,
        gravity_high_sg=1.0330,
        rate_points_per_day=7.1,
        rate_low_points_per_day=6.0,
        rate_high_points_per_day=8.4,
        original_gravity_sg=1.0520,
        apparent_attenuation=0.4,
        real_attenuation=0.33,
        abv_percent=2.73,
        temperature_c=19.1,
        phase=Phase.ACTIVE,
        forecast=Forecast(
            final_gravity_sg=1.0118,
            final_gravity_low_sg=1.0101,
            final_gravity_high_sg=1.0137,
            finish_time=at(9000),
            finish_low=at(8000),
            finish_high=None,
        )
        if forecast
        else None,
        probability_started=1.0,
        probability_still=1e-300,
        probability_attenuated=0.0,
        bias_points=0.5,
        noise_points=0.8,
        misfit_sigma=0.0,
        apparent_attenuation_low=0.37,
        apparent_attenuation_high=0.44,
        abv_low_percent=2.51,
        abv_high_percent=2.97,
    )


def without_strength_intervals(estimate: Estimate) -> Estimate:
    """As it was stored before attenuation and alcohol had an interval."""
    return replace(
        estimate,
        apparent_attenuation_low=None,
        apparent_attenuation_high=None,
        abv_low_percent=None,
        abv_high_percent=None,
    )


def alert(minutes: float, kind: Kind = Kind.FERMENTATION_STARTED, *, resolves: Kind | None = None) -> Alert:
    return Alert(
        time=at(minutes),
        kind=kind,
        severity=Severity.INFO,
        summary="The gravity falls: 3.1 points since pitching.",
        evidence={"drop_points": 3.1, "hours": 14, "source": "heron", "sure": True, "missing": None},
        resolves=resolves,
    )
