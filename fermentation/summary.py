"""From belief to estimate: medians, intervals and probabilities of the cloud."""

from __future__ import annotations

from datetime import datetime, timedelta
from math import exp, hypot, log, sqrt

import numpy as np

from calibration.strength import abv_percent, real_attenuation
from fermentation.belief import FOAM, OFFSET, ORIGINAL, SHORT, Belief, FloatArray, cloud_of, hours
from fermentation.estimate import Estimate, Forecast, Phase
from fermentation.forecast import DOUBT_HOURS, STILL_POINTS_PER_DAY, final_points, hours_to_finish
from fermentation.gravity import gravity_rows, spreads
from fermentation.kinetics import progress
from fermentation.motion import pace_of, rate_points_per_day
from fermentation.phase import phase_of
from gylewatch.copying import replace
from gylewatch.units import NORMAL_80, POINT_SG, sg_from_points

START_DROP_POINTS = 1.0
# less than a point below the original gravity no instrument tells from noise
ATTENUATION_SLACK = 0.01
MODEL_DOUBT_POINTS, DOUBT_FULL_POINTS_PER_DAY = 0.9, 3.0
# What the particles leave out while the yeast works: no family of curves is the beer's own, and a head of foam that
# grows slowly looks like a change of pace
WORKS_DROP_POINTS, WORKS_POINTS_PER_DAY = 2.0, 2.0
# A beer works that has fallen by so much and falls so fast
MOVING_SHARE = 0.5
# A finish time is given while this share of the belief moves towards it
RESTART_HOURS = 12.0
FORECAST_HOURS = 1.9
# An end is known to hours and tenths of a point: it is worked out anew every two hours, and after each sample
FORMULA_DOUBT = 0.01
# By so much of the alcohol do the formulas of `calibration.strength` differ at 1.050; in strong beers by more
_LOW_MID_HIGH = 2.0 * np.array([0.1, 0.5, 0.9]) - 1.0
_GRID = np.linspace(-3.2, 3.2, 33)
_GRID_AND_ONE = np.column_stack([_GRID, np.ones_like(_GRID)]).astype(np.float32)


Finish = tuple[datetime, datetime, datetime]


def quantiles(mean: FloatArray, sd: FloatArray, weight: FloatArray) -> tuple[float, float, float]:
    """10 %, 50 % and 90 % quantile of a mixture of normal distributions, by inverting its distribution function.

    mean, sd, weight : (k,) each; weights sum to one
    """
    centre = float(weight @ mean)
    off = mean - centre
    width = sqrt(float(weight @ (off**2 + sd**2))) + 1e-9
    slope = _slope(sd)
    # slope * (bound - mean) for each bound centre + width * grid, as one product of matrices. In single precision this
    # is three times as fast, and far finer than the logistic curve.
    argument = _GRID_AND_ONE @ np.array([width * slope, -off * slope], dtype=np.float32)
    below = np.tanh(argument, out=argument) @ weight.astype(np.float32)  # from -1 to 1, as twice the share less one
    low, middle, high = np.interp(_LOW_MID_HIGH, below, _GRID).tolist()
    return centre + width * low, centre + width * middle, centre + width * high


def _share_above(mean: FloatArray, sd: FloatArray, weight: FloatArray, bound: float) -> float:
    """P(x > bound) of the mixture."""
    share = 0.5 + 0.5 * float(weight @ np.tanh((mean - bound) * _slope(sd)))
    return min(max(share, 0.0), 1.0)


def _slope(sd: FloatArray) -> FloatArray:
    """(k,) s in 0.5 + 0.5 tanh(s x): the normal integral by a logistic curve, good to 0.01."""
    slope: FloatArray = 0.851 / np.maximum(sd, 1e-3)
    return slope


def interval_around(
    shown: float, mean: FloatArray, sd: FloatArray, weight: FloatArray, *, doubt: float
) -> tuple[float, float]:
    """Central 80 % interval of a mixture taken as one normal distribution of its mean and variance.

    It holds the number shown, and begins at nothing where that is not below nothing.

    Parameters
    ----------
    shown : what stands beside the interval, a median
    mean, sd, weight : (k,) each; weights sum to one
    doubt : standard deviation of what the mixture leaves out
    """
    centre = float(weight @ mean)
    variance = float(weight @ (mean * mean + sd * sd)) - centre**2 + doubt**2
    half = NORMAL_80 * sqrt(max(variance, 0.0))
    return min(max(centre - half, 0.0), shown), max(centre + half, shown)


def summarise(belief: Belief) -> tuple[Belief, Estimate]:
    """The estimate of a belief that has seen readings; the belief is returned with its end noted."""
    cloud = cloud_of(belief)
    weight = np.exp(cloud.log_weight)
    here, rows = gravity_rows(cloud)
    original = cloud.mean[ORIGINAL]
    enough = 1.0 - (belief.batch.expected_attenuation[0] - ATTENUATION_SLACK)
    left, fallen = here / original, original - here
    here_sd, fallen_sd, margin_sd, left_sd = spreads(cloud, rows, (0.0, 1.0, enough, left))
    rate, log_sd = rate_points_per_day(cloud, pace_of(belief))
    log_rate = np.log(rate)
    rate_low, rate_middle, rate_high = (exp(x) for x in quantiles(log_rate, log_sd, weight))
    doubt = MODEL_DOUBT_POINTS * min(rate_middle / DOUBT_FULL_POINTS_PER_DAY, 1.0)
    low, middle, high = quantiles(here, np.hypot(here_sd, doubt), weight)
    still = 1.0 - _share_above(log_rate, log_sd, weight, log(STILL_POINTS_PER_DAY))
    started = _share_above(fallen, fallen_sd, weight, START_DROP_POINTS)
    attenuated = _share_above(enough * original - here, margin_sd, weight, 0.0)
    share_done = float(weight @ progress(cloud.z))
    if belief.forecast_at is None or hours(belief.time - belief.forecast_at) >= FORECAST_HOURS:
        final = quantiles(*final_points(belief, here, here_sd, share_done))
        belief = replace(belief, final=final, finish=_finish(belief), forecast_at=belief.time)
    finished_at = belief.finished_at
    phase = phase_of(
        belief.phase,
        probability_started=started,
        probability_still=still,
        probability_attenuated=attenuated,
        share_done=share_done,
        hours_since_finish=hours(belief.time - finished_at) if finished_at else None,
    )
    if phase is Phase.FINISHED and finished_at is None:
        finished_at = belief.time
    elif not phase.is_over:
        finished_at = None
    original_points = float(weight @ original)
    original_sg, gravity_sg = sg_from_points(original_points), sg_from_points(middle)
    attenuation = 1.0 - middle / original_points
    attenuation_low, attenuation_high = interval_around(
        attenuation, 1.0 - left, left_sd / original, weight, doubt=doubt / original_points
    )
    fall = max(original_points - middle, 0.0)
    fall_low, fall_high = interval_around(fall, fallen, fallen_sd, weight, doubt=hypot(doubt, FORMULA_DOUBT * fall))
    abv = abv_percent(original_sg, min(gravity_sg, original_sg))
    estimate = Estimate(
        time=belief.time,
        gravity_sg=gravity_sg,
        gravity_low_sg=sg_from_points(low),
        gravity_high_sg=sg_from_points(high),
        rate_points_per_day=rate_middle,
        rate_low_points_per_day=rate_low,
        rate_high_points_per_day=rate_high,
        original_gravity_sg=original_sg,
        apparent_attenuation=attenuation,
        apparent_attenuation_low=attenuation_low,
        apparent_attenuation_high=attenuation_high,
        real_attenuation=real_attenuation(original_sg, min(gravity_sg, original_sg)),
        abv_percent=abv,
        # Within an interval alcohol goes with the fall, to a hundredth of a per cent
        abv_low_percent=abv * fall_low / fall if fall > 0.0 else 0.0,
        abv_high_percent=abv_percent(original_sg, original_sg - fall_high * POINT_SG),
        temperature_c=belief.temperature_c,
        phase=phase,
        forecast=_forecast(belief, phase),
        probability_started=started,
        probability_still=still,
        probability_attenuated=attenuated,
        bias_points=float(weight @ (cloud.mean[FOAM] + cloud.mean[SHORT] + cloud.mean[OFFSET])),
        noise_points=belief.noise_points,
        misfit_sigma=sqrt(belief.misfit),
    )
    works = original_points - middle > WORKS_DROP_POINTS and rate_middle > WORKS_POINTS_PER_DAY
    return replace(belief, phase=phase, finished_at=finished_at, works=works), estimate


def _not_before(now: datetime, finish: Finish | None, phase: Phase) -> Finish | None:
    """The finish of a beer that has not reached it lies ahead, whatever was forecast."""
    if finish is None or phase.is_over:
        return finish
    low, middle, high = finish
    return max(low, now), max(middle, now), max(high, now + timedelta(hours=DOUBT_HOURS))


def _forecast(belief: Belief, phase: Phase) -> Forecast | None:
    if belief.final is None:
        return None
    low, middle, high = belief.final
    finish = _not_before(belief.time, belief.finish, phase)
    return Forecast(
        final_gravity_sg=sg_from_points(middle),
        final_gravity_low_sg=sg_from_points(low),
        final_gravity_high_sg=sg_from_points(high),
        finish_low=finish[0] if finish else None,
        finish_time=finish[1] if finish else None,
        finish_high=finish[2] if finish else None,
    )


def _finish(belief: Belief) -> Finish | None:
    """When it finishes; a finish that lies behind keeps its time unless the beer is found to have far to go."""
    ahead, sd = hours_to_finish(belief)
    weight = np.exp(cloud_of(belief).log_weight)
    moving = np.isfinite(ahead)
    share = float(weight[moving].sum())
    if share < MOVING_SHARE:
        return None
    spans = quantiles(ahead[moving], sd[moving], weight[moving] / share)
    past = belief.finish is not None and belief.finish[1] <= belief.time
    if past and spans[1] < RESTART_HOURS:
        return belief.finish
    low, middle, high = (belief.time + timedelta(hours=span) for span in spans)
    return low, middle, high
