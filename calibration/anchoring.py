"""What a float showed at the moment of a hand sample."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import timedelta
from statistics import fmean, median

import numpy as np

from calibration.curve import Curve
from calibration.expansion import gravity_at_20_c
from calibration.hydrometry import HandGravity
from calibration.recalibrate import FLOAT_SCATTER_SD_SG, Anchor
from gylewatch.values import Reading

AROUND = timedelta(minutes=45)
# Either side of a sample: three readings each way of a float that reports every quarter of an hour, while the fastest
# beer moves by little more than a point.


def readings_around(hand: HandGravity, readings: Sequence[Reading]) -> tuple[Reading, ...]:
    """The readings within `AROUND` of a sample, in the order given."""
    return tuple(reading for reading in readings if abs(reading.time - hand.time) <= AROUND)


def anchor(hand: HandGravity, readings: Sequence[Reading]) -> Anchor | None:
    """A hand sample beside the float's angle around it; None where the float was silent.

    Parameters
    ----------
    hand : corrected sample
    readings : of one float, of any period; those around the sample are used, their angle by its median: one knock
        does not move it
    """
    near = readings_around(hand, readings)
    if not near:
        return None
    return Anchor(
        time=hand.time,
        angle_deg=median(reading.angle_deg for reading in near),
        temperature_c=fmean(reading.temperature_c for reading in near),
        gravity_sg=hand.gravity_sg,
        sd_sg=hand.sd_sg,
    )


def shown_by_float(curve: Curve, beside: Anchor, *, original_gravity_sg: float | None) -> tuple[float, float]:
    """What the float alone says where a sample was drawn: SG 20/20 °C and its standard uncertainty.

    Parameters
    ----------
    beside : from `anchor`; its own gravity is not used
    original_gravity_sg : SG 20/20 °C of the batch, for the liquid's expansion; None: a typical beer's
    """
    raw, sd = curve.evaluate(np.array([beside.angle_deg]))
    gravity = gravity_at_20_c(float(raw[0]), beside.temperature_c, original_gravity_sg)
    return gravity, math.hypot(float(sd[0]), FLOAT_SCATTER_SD_SG)
