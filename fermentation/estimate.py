"""Estimate: what is believed about one batch at one time. Values only, no computation."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Phase(StrEnum):
    LAG = "lag"
    ACTIVE = "active"
    SLOWING = "slowing"
    FINISHED = "finished"
    STALLED = "stalled"
    CONDITIONING = "conditioning"

    @property
    def is_over(self) -> bool:
        """Whether fermentation is believed to be over."""
        return self in {Phase.FINISHED, Phase.CONDITIONING}


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Where the batch is going. Central 80 % intervals. A finish that has been reached keeps its time."""

    final_gravity_sg: float
    final_gravity_low_sg: float
    final_gravity_high_sg: float
    finish_time: datetime | None  # None: it is not moving towards a finish
    finish_low: datetime | None
    finish_high: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """The belief at `time`, in the contract's units. ``_low``/``_high`` are central 80 % intervals.

    The fields from `probability_started` on are the posterior evidence on which verdicts rest. The intervals of
    attenuation and alcohol hold what is not known of the two gravities, that of alcohol also the doubt about the
    formula. They are None in an estimate that was stored before there were any.
    """

    time: datetime
    gravity_sg: float  # SG 20/20, median of the posterior
    gravity_low_sg: float
    gravity_high_sg: float
    rate_points_per_day: float  # positive while the gravity falls
    rate_low_points_per_day: float
    rate_high_points_per_day: float
    original_gravity_sg: float
    apparent_attenuation: float  # fraction
    real_attenuation: float  # fraction
    abv_percent: float
    temperature_c: float
    phase: Phase
    forecast: Forecast | None
    probability_started: float  # P(at least START_DROP_POINTS fallen since pitching and falling)
    probability_still: float  # P(rate < 0.5 points/day), i.e. 1 point in two days
    probability_attenuated: float  # P(attenuation reached is inside or above the yeast's expected range)
    bias_points: float  # what the float is believed to read too high (foam, knocks, fouling)
    noise_points: float  # scatter of single readings, standard deviation
    misfit_sigma: float  # how far hand samples and curve disagree, in standard deviations; 0 without samples
    apparent_attenuation_low: float | None = None
    apparent_attenuation_high: float | None = None
    abv_low_percent: float | None = None
    abv_high_percent: float | None = None
