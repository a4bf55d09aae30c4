"""A brew as a story in hours: what the beer does, what the float says of it, and which alerts follow."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from alerts.alert import Alert, Kind
from alerts.engine import AlertState, Observation, judge, start
from alerts.settings import AlertSettings
from fermentation.estimate import Estimate, Forecast, Phase
from gylewatch.values import Addition, Batch, FloatId, PlanStep, Reading, VesselId

PITCHED = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)

Course = Callable[[float], float]
"""A quantity as a function of the hours since pitching."""

OptionalCourse = Callable[[float], float | None]


def at(hours: float) -> datetime:
    return PITCHED + timedelta(hours=hours)


def hours_of(alert: Alert) -> float:
    return (alert.time - PITCHED).total_seconds() / 3600


def constant(value: float) -> Course:
    return lambda _hours: value


def ramp(begin_h: float, begin: float, end_h: float, end: float) -> Course:
    """`begin` until `begin_h`, `end` from `end_h` on, a straight line between."""
    return lambda h: begin + (end - begin) * min(1.0, max(0.0, (h - begin_h) / (end_h - begin_h)))


def logistic_gravity(
    original: float = 1.052, final: float = 1.0125, middle_h: float = 40.0, steep: float = 0.11
) -> Course:
    """The four-parameter logistic of the ASBC assay; see the reference values on fermentation curves, section 1."""
    return lambda h: final + (original - final) / (1 + math.exp(steep * (h - middle_h)))


def until(hours: float, before: Course, after: Course) -> Course:
    return lambda h: before(h) if h < hours else after(h)


def probability_below(limit: float, mean: float, sd: float) -> float:
    return 0.5 * (1 + math.erf((limit - mean) / (sd * math.sqrt(2))))


@dataclass(frozen=True, kw_only=True)
class Brew:
    """A batch and how its beer and its float behave."""

    batch: Batch
    gravity_sg: Course = field(default_factory=logistic_gravity)
    temperature_c: Course = field(default_factory=lambda: constant(19.2))
    angle_deg: Course | None = None  # None: follows the gravity, with a little sway
    battery_v: OptionalCourse = field(default_factory=lambda: constant(4.0))
    battery_percent: OptionalCourse = lambda _hours: None
    misfit_sigma: Course = field(default_factory=lambda: constant(0.0))
    final_sg: float | None = None  # forecast; None: 1.0125, or where the beer stands if that is lower
    bias_points: Course = field(default_factory=lambda: constant(0.0))
    heard: Callable[[float], bool] = lambda _hours: True
    interval_h: float = 0.25
    length_h: float = 240.0
    settings: AlertSettings = field(default_factory=AlertSettings)
    ticks: bool = True

    def but(self, **changes: object) -> Brew:
        return replace(self, **changes)  # type: ignore[arg-type]

    def estimate(self, h: float) -> Estimate:
        """What a good estimator would believe: the truth, with a spread of 0.6 points and 0.25 points/day."""
        gravity, original = self.gravity_sg(h), self.batch.original_gravity_sg or self.gravity_sg(0.0)
        rate = (self.gravity_sg(h - 3) - self.gravity_sg(h)) * 1000 * 8
        attenuation = (original - gravity) / (original - 1)
        fallen = (original - gravity) * 1000
        spread_attenuation = 0.6 / ((original - 1) * 1000)
        return Estimate(
            time=at(h),
            gravity_sg=gravity,
            gravity_low_sg=gravity - 0.00077,
            gravity_high_sg=gravity + 0.00077,
            rate_points_per_day=rate,
            rate_low_points_per_day=rate - 0.32,
            rate_high_points_per_day=rate + 0.32,
            original_gravity_sg=original,
            apparent_attenuation=attenuation,
            real_attenuation=0.82 * attenuation,
            abv_percent=fallen * 0.131,
            abv_low_percent=(fallen - 0.77) * 0.131,
            abv_high_percent=(fallen + 0.77) * 0.131,
            temperature_c=self.temperature_c(h),
            phase=Phase.LAG if fallen < 2 else Phase.ACTIVE,
            forecast=Forecast(
                final_gravity_sg=min(1.0125, gravity) if self.final_sg is None else self.final_sg,
                final_gravity_low_sg=1.011,
                final_gravity_high_sg=1.014,
                finish_time=at(130),
                finish_low=at(110),
                finish_high=at(150),
            ),
            probability_started=probability_below(fallen, 1.5, 0.5),
            probability_still=probability_below(0.5, rate, 0.25),
            probability_attenuated=probability_below(
                attenuation, self.batch.expected_attenuation[0], spread_attenuation
            ),
            bias_points=self.bias_points(h),
            noise_points=0.8,
            misfit_sigma=self.misfit_sigma(h),
        )

    def reading(self, h: float) -> Reading:
        swaying = 25 + (1.060 - self.gravity_sg(h)) * 1000 * 0.5 + 0.4 * math.sin(37 * h)
        angle = swaying if self.angle_deg is None else self.angle_deg(h)
        return Reading(
            time=at(h),
            float_id=self.batch.float_id,
            angle_deg=angle,
            temperature_c=self.temperature_c(h),
            battery_v=self.battery_v(h),
            battery_percent=self.battery_percent(h),
        )

    def observations(self) -> Iterable[Observation]:
        for i in range(int(self.length_h / self.interval_h)):
            h = i * self.interval_h
            if self.ticks:
                yield Observation(time=at(h))
            if self.heard(h):
                yield Observation(time=at(h), reading=self.reading(h), estimate=self.estimate(h))

    def run(self) -> tuple[Alert, ...]:
        return run(self.settings, self.batch, self.observations())[1]


def run(
    settings: AlertSettings, batch: Batch, observations: Iterable[Observation], state: AlertState | None = None
) -> tuple[AlertState, tuple[Alert, ...]]:
    state = start(batch) if state is None else state
    told: list[Alert] = []
    for observation in observations:
        state, alerts = judge(settings, batch, state, observation)
        told.extend(alerts)
    return state, tuple(told)


def scenario(
    *,
    wanted_c: tuple[float, float] = (18.0, 20.5),
    plan: tuple[tuple[float, tuple[float, float]], ...] = (),
    additions: tuple[float, ...] = (),
    **changes: object,
) -> Brew:
    """An ordinary ale that starts after about 20 hours and has finished after about four days, unless changed."""
    batch = Batch(
        name="Harbour Pale",
        pitched=PITCHED,
        float_id=FloatId("heron"),
        vessel=VesselId("FV1"),
        volume_l=21.0,
        expected_attenuation=(0.74, 0.80),
        temperature_c=wanted_c,
        original_gravity_sg=1.052,
        plan=tuple(PlanStep(start=at(h), temperature_c=wanted) for h, wanted in plan),
        additions=tuple(Addition(time=at(h), label="sugar") for h in additions),
    )
    return Brew(batch=batch).but(**changes)


def raised(alerts: Iterable[Alert], kind: Kind | None = None) -> tuple[Alert, ...]:
    return tuple(alert for alert in alerts if alert.resolves is None and kind in (None, alert.kind))


def resolved(alerts: Iterable[Alert], kind: Kind) -> tuple[Alert, ...]:
    return tuple(alert for alert in alerts if alert.resolves is kind)


def kinds(alerts: Iterable[Alert]) -> set[Kind]:
    return {alert.kind for alert in raised(alerts)}
