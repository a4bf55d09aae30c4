"""Generic smoothers from general libraries, each fed with the plain weighted polynomial through the references.

All are causal. They know nothing of beer: their final gravity is the middle of the yeast's range.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmarks.scores import FloatArray, Row, Runner
from tests.simulator.beer import WATER_20_C, abv_percent, water_density
from tests.simulator.scenario import Brew

STEP_H = 0.25
WINDOW_H = 12.0
NORMAL_80 = 1.2816


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Gravity by the polynomial on a regular grid of quarter hours, (n,), NaN where nothing was heard."""

    time_h: FloatArray
    gravity_sg: FloatArray


def polynomial_series(brew: Brew) -> Series:
    """Every reading through `numpy.polyfit`, brought to 20 C like water, as the median of each quarter hour.

    Late readings and those far off are left out.
    """
    references = brew.references
    degree = 2 if len(references) < 5 else 3
    weights = [1.0 / (reference.angle_sd_deg or 0.2) for reference in references]
    coefficients = np.polyfit(
        [reference.angle_deg for reference in references],
        [reference.gravity_sg for reference in references],
        degree,
        w=weights,
    )
    hours = np.array([brew.hours(reading.time) for reading in brew.readings])
    gravity = np.polyval(coefficients, [reading.angle_deg for reading in brew.readings])
    warmth_c = np.array([reading.temperature_c for reading in brew.readings])
    gravity = gravity * WATER_20_C / water_density(warmth_c)
    fresh = (hours >= np.maximum.accumulate(hours)) & ~_is_far_off(gravity)
    slot = (hours[fresh] / STEP_H).astype(int)
    order = np.argsort(slot, kind="stable")
    slots, starts = np.unique(slot[order], return_index=True)
    medians = [float(np.median(part)) for part in np.split(gravity[fresh][order], starts[1:])]
    out = np.full(int(slots[-1]) + 1, np.nan)
    out[slots] = medians
    first = int(slots[0])
    # The time of a slot is its end: nothing is used before it was measured.
    time_h = (np.arange(float(out.size)) + 1.0) * STEP_H
    return Series(time_h=time_h[first:], gravity_sg=out[first:])


def _is_far_off(gravity_sg: FloatArray) -> NDArray[np.bool_]:
    """More than 8 points from the median of the last nine readings: what any user of a filter would leave out."""
    padded = np.concatenate([np.full(8, np.median(gravity_sg[:9])), gravity_sg])
    recent = np.median(np.lib.stride_tricks.sliding_window_view(padded, 9), axis=1)
    return np.asarray(np.abs(gravity_sg - recent) > 8.0e-3)


def _held(values: FloatArray) -> FloatArray:
    """Gaps filled with the last value heard."""
    index = np.maximum.accumulate(np.where(np.isnan(values), 0, np.arange(values.size)))
    return np.asarray(values[index])


def _rows(
    brew: Brew,
    series: Series,
    gravity_sg: FloatArray,
    rate: FloatArray | None = None,
    sd_sg: FloatArray | None = None,
) -> list[Row]:
    original = brew.batch.original_gravity_sg
    if original is None:
        original = float(np.nanmedian(series.gravity_sg[: int(6.0 / STEP_H)]))
    middle = 0.5 * sum(brew.batch.expected_attenuation)
    final = 1.0 + (original - 1.0) * (1.0 - middle)
    abv = abv_percent(original, np.clip(gravity_sg, 0.99, 1.13))
    spread = np.full(gravity_sg.size, np.nan) if sd_sg is None else NORMAL_80 * sd_sg
    slope = np.full(gravity_sg.size, np.nan) if rate is None else rate
    heard = np.flatnonzero(~np.isnan(series.gravity_sg))
    return [
        Row(
            time_h=float(series.time_h[i]),
            gravity_sg=float(gravity_sg[i]),
            low=float(gravity_sg[i] - spread[i]),
            high=float(gravity_sg[i] + spread[i]),
            rate=float(slope[i]),
            abv=float(abv[i]),
            fg=final,
        )
        for i in heard
    ]


def rolling_median(brew: Brew) -> list[Row]:
    """The median of the last 6 hours."""
    series = polynomial_series(brew)
    count = int(6.0 / STEP_H)
    gravity = [
        float(np.nanmedian(series.gravity_sg[max(0, i - count + 1) : i + 1]))
        if not np.isnan(series.gravity_sg[max(0, i - count + 1) : i + 1]).all()
        else np.nan
        for i in range(series.time_h.size)
    ]
    return _rows(brew, series, np.array(gravity))


def savitzky_golay(brew: Brew) -> list[Row]:
    """scipy's Savitzky-Golay coefficients of second order for the last point of a 12-hour window."""
    from scipy.signal import savgol_coeffs

    series = polynomial_series(brew)
    count = int(WINDOW_H / STEP_H) + 1
    held = _held(series.gravity_sg)
    padded = np.concatenate([np.full(count - 1, held[0]), held])
    level = savgol_coeffs(count, 2, pos=count - 1, use="dot")
    slope = savgol_coeffs(count, 2, deriv=1, delta=STEP_H, pos=count - 1, use="dot")
    gravity = np.correlate(padded, level, mode="valid")
    return _rows(brew, series, gravity, rate=-24_000.0 * np.correlate(padded, slope, mode="valid"))


def lowess(brew: Brew) -> list[Row]:
    """statsmodels' robust LOWESS over the last 12 hours, its last point; once an hour."""
    from statsmodels.nonparametric.smoothers_lowess import lowess as smooth

    series = polynomial_series(brew)
    count, every = int(WINDOW_H / STEP_H), int(1.0 / STEP_H)
    gravity, rate = np.full(series.time_h.size, np.nan), np.full(series.time_h.size, np.nan)
    for i in range(0, series.time_h.size, every):
        part = slice(max(0, i - count + 1), i + 1)
        heard = ~np.isnan(series.gravity_sg[part])
        values, times = series.gravity_sg[part][heard], series.time_h[part][heard]
        if values.size < 6:
            gravity[i] = float(np.median(values)) if values.size else np.nan
            continue
        fitted = smooth(values, times, frac=0.8, it=3, return_sorted=False)
        gravity[i] = fitted[-1]
        back = min(4, fitted.size - 1)
        rate[i] = -24_000.0 * (fitted[-1] - fitted[-1 - back]) / (times[-1] - times[-1 - back])
    return [row for row in _rows(brew, series, gravity, rate=rate) if not np.isnan(row.gravity_sg)]


def kalman(brew: Brew) -> list[Row]:
    """statsmodels' local linear trend with fixed variances, filtered states only."""
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    series = polynomial_series(brew)
    points = (series.gravity_sg - 1.0) * 1000.0
    # In points and quarter hours: scatter of 1, a level that wanders 0.1 and a slope that changes 0.06/h an hour.
    variances = [1.0, 0.1**2 * STEP_H, (0.06 * STEP_H) ** 2 * STEP_H]
    model = UnobservedComponents(points, level="lltrend")
    model.ssm.initialize_known(np.array([points[0], 0.0]), np.diag([4.0, 0.02]))
    result = model.filter(variances)
    level, slope = result.filtered_state
    sd = np.sqrt(result.filtered_state_cov[0, 0])
    return _rows(
        brew,
        series,
        1.0 + np.asarray(level) / 1000.0,
        rate=-np.asarray(slope) * 24.0 / STEP_H,
        sd_sg=np.asarray(sd) / 1000.0,
    )


BASELINES: dict[str, Runner] = {
    "median": rolling_median,
    "Sav-Golay": savitzky_golay,
    "LOWESS": lowess,
    "Kalman": kalman,
}
