"""Has the float come to rest in a reference solution? Then its readings are one calibration point."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from gylewatch.counting import counted
from gylewatch.values import FloatId, Reading, Reference

LEAST_READINGS = 5  # fewer say nothing about spread and drift
LEAST_SPAN = timedelta(seconds=30)  # a float swings and sheds bubbles for tens of seconds (common practice, no source)
GREATEST_SPREAD_DEG = 0.5  # sd about the drift; more is a float that touches the wall or a table that shakes
GREATEST_DRIFT_DEG = 0.2  # over the window; more is a solution that still mixes, warms or sheds bubbles
GREATEST_WARMING_C = 0.3  # over the window; 0.3 °C is 0.1 points of a sugar solution
LEAST_ANGLE_SD_DEG = 0.02  # resolution of the report
MOST_INDEPENDENT = 4  # readings of one minute share their swing: no more than this many count for the mean


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """What a window of readings says about a float's rest."""

    settled: bool
    reason: str  # why not yet, or what was taken
    count: int
    angle_deg: float  # mean over the window; nan without readings
    spread_deg: float  # sd of single readings about their drift
    drift_deg: float  # over the window, from its beginning to its end
    temperature_c: float
    warming_c: float  # over the window
    angle_sd_deg: float  # standard uncertainty of `angle_deg`


def settling(readings: Sequence[Reading]) -> Settling:
    """Judge one window of readings of one float, in any order.

    Parameters
    ----------
    readings : the newest minute or so; the caller chooses the window

    Returns
    -------
    ``settled`` is true once the angle neither spreads nor drifts and the temperature is steady.

    Source: least-squares line over the window; limits are common practice, no source.
    """
    count = len(readings)
    if count == 0:
        return _unsettled("no reading yet: wake the float and check that it is in range")
    ordered = sorted(readings, key=lambda reading: reading.time)
    span = ordered[-1].time - ordered[0].time
    angles = np.array([reading.angle_deg for reading in ordered])
    temperatures = np.array([reading.temperature_c for reading in ordered])
    mean, warm = float(angles.mean()), float(temperatures.mean())
    if count < LEAST_READINGS or span < LEAST_SPAN:
        heard = f"{counted(count, 'reading')} over {span.seconds} s"
        reason = f"{heard}: wait for {LEAST_READINGS} over {LEAST_SPAN.seconds} s"
        return _unsettled(reason, count=count, angle_deg=mean, temperature_c=warm)
    elapsed = np.array([(reading.time - ordered[0].time) / span for reading in ordered])
    centred = elapsed - elapsed.mean()
    drift = float(centred @ angles / (centred @ centred))
    warming = float(centred @ temperatures / (centred @ centred))
    spread = float(np.sqrt(np.sum((angles - mean - drift * centred) ** 2) / (count - 2)))
    reason = _unrest(spread, drift, warming)
    sd = math.sqrt(spread**2 / min(count, MOST_INDEPENDENT) + drift**2 / 12.0 + LEAST_ANGLE_SD_DEG**2)
    return Settling(
        settled=not reason,
        reason=reason or f"settled at {mean:.2f}° ± {sd:.2f}°, {warm:.1f} °C",
        count=count,
        angle_deg=mean,
        spread_deg=spread,
        drift_deg=drift,
        temperature_c=warm,
        warming_c=warming,
        angle_sd_deg=sd,
    )


def reference_point(rest: Settling, float_id: FloatId, *, gravity_sg: float, gravity_sd_sg: float | None) -> Reference:
    """The calibration point of a settled float in a solution of this SG 20/20 °C.

    Raises
    ------
    ValueError
        The float has not settled, or a value lies outside what a reference may hold.
    """
    if not rest.settled:
        raise ValueError(f"the float has not settled: {rest.reason}")
    return Reference(
        float_id=float_id,
        angle_deg=rest.angle_deg,
        gravity_sg=gravity_sg,
        temperature_c=rest.temperature_c,
        angle_sd_deg=rest.angle_sd_deg,
        gravity_sd_sg=gravity_sd_sg,
    )


def _unrest(spread_deg: float, drift_deg: float, warming_c: float) -> str:
    if spread_deg > GREATEST_SPREAD_DEG:
        return f"the angle spreads by {spread_deg:.2f}°: free the float from the wall and keep the table still"
    if abs(drift_deg) > GREATEST_DRIFT_DEG:
        return f"the angle drifts by {drift_deg:+.2f}°: wait, and brush bubbles off the float"
    if abs(warming_c) > GREATEST_WARMING_C:
        return f"the temperature drifts by {warming_c:+.1f} °C: wait until float and solution are alike"
    return ""


def _unsettled(
    reason: str, *, count: int = 0, angle_deg: float = math.nan, temperature_c: float = math.nan
) -> Settling:
    return Settling(
        settled=False,
        reason=reason,
        count=count,
        angle_deg=angle_deg,
        spread_deg=math.nan,
        drift_deg=math.nan,
        temperature_c=temperature_c,
        warming_c=math.nan,
        angle_sd_deg=math.nan,
    )
