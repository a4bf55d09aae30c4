"""A small brew for tests of the filter: a logistic fermentation read by a float without a calibration error.

The checks of accuracy on many kinds of beer are in `benchmarks/estimator.py`; here behaviour is checked.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np

from calibration.curve import GravityReading
from calibration.hydrometry import HandGravity
from fermentation import smooth
from fermentation.belief import Belief
from fermentation.estimate import Estimate
from gylewatch.values import Addition, Batch, FloatId, Instrument, VesselId

PITCHED = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)
ORIGINAL_POINTS, FINAL_POINTS = 52.0, 12.0
Law = Callable[[float], float]


def after(hours: float) -> datetime:
    """The time so many hours after pitching."""
    return PITCHED + timedelta(hours=hours)


def batch(*, original_gravity_sg: float | None = 1.052, additions: tuple[Addition, ...] = ()) -> Batch:
    """A pale ale whose yeast leaves 20 to 26 % of the extract."""
    return Batch(
        name="Quay Pale",
        pitched=PITCHED,
        float_id=FloatId("heron"),
        vessel=VesselId("FV1"),
        volume_l=21.0,
        expected_attenuation=(0.74, 0.80),
        temperature_c=(18.0, 20.5),
        original_gravity_sg=original_gravity_sg,
        additions=additions,
    )


def logistic_points(hours: float, *, steepness_per_h: float = 0.11, middle_h: float = 34.0) -> float:
    """Gravity in points by the four-parameter logistic of the Yeast-14 assay."""
    drop = ORIGINAL_POINTS - FINAL_POINTS
    return FINAL_POINTS + drop / (1.0 + float(np.exp(steepness_per_h * (hours - middle_h))))


def gravity(hours: float, points: float, *, temperature_c: float = 19.0, moving: bool = False) -> GravityReading:
    """One reading under a curve whose error is one point everywhere."""
    return GravityReading(
        time=after(hours),
        angle_deg=25.0 + points / 1.5,
        gravity_sg=1.0 + points / 1000.0,
        temperature_c=temperature_c,
        sd_sg=0.001,
        modes_sg=(0.001,),
        slope_sg_per_deg=0.0015,
        in_range=True,
        moving=moving,
    )


def hand(hours: float, at_points: float, sd_points: float = 0.7) -> HandGravity:
    """One hydrometer reading."""
    return HandGravity(
        time=after(hours),
        gravity_sg=1.0 + at_points / 1000.0,
        sd_sg=sd_points / 1000.0,
        instrument=Instrument.HYDROMETER,
        note="",
    )


def readings(
    until_h: float,
    law: Law = logistic_points,
    *,
    every_h: float = 0.25,
    noise_points: float = 0.5,
    seed: int = 3,
    temperature: Law = lambda _: 19.0,
) -> list[GravityReading]:
    """Readings from pitching on, with heavy-tailed noise (Student t, three degrees of freedom)."""
    noise = np.random.default_rng(seed)
    times = np.arange(0.0, until_h, every_h)
    return [
        gravity(
            float(t), law(float(t)) + noise_points * float(noise.standard_t(3)), temperature_c=temperature(float(t))
        )
        for t in times
    ]


def run(belief: Belief, taken: list[GravityReading]) -> tuple[Belief, list[Estimate]]:
    """Take the readings one after the other."""
    estimates = []
    for one in taken:
        belief, estimate = smooth.step(belief, one)
        if estimate is not None:
            estimates.append(estimate)
    return belief, estimates
