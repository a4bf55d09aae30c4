"""Shapes of fermentation curves: the fraction of the drop that is done, over time.

Six families from the literature (see each function). Shapes only: `Shape` is stretched afterwards to the lag and the
half-time of a brew, so no family brings its own tempo.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from tests.simulator.beer import FloatArray

Derivative = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A rising curve: `fraction` done (0..1) at `time`, on the shape's own axis."""

    time: FloatArray
    fraction: FloatArray

    def stretched(self, biological_h: FloatArray, *, lag_h: float, half_h: float) -> FloatArray:
        """The fraction done at `biological_h`: tangent lag at `lag_h`, half done `half_h` later, none at zero."""
        slope = np.gradient(self.fraction, self.time)
        steepest = int(np.argmax(slope))
        tangent = self.time[steepest] - self.fraction[steepest] / slope[steepest]
        middle = float(np.interp(0.5, self.fraction, self.time))
        own = tangent + (biological_h - lag_h) * (middle - tangent) / half_h
        done = np.interp(own, self.time, self.fraction, left=0.0, right=1.0)
        at_pitching = float(
            np.interp(tangent - lag_h * (middle - tangent) / half_h, self.time, self.fraction, left=0.0)
        )
        return np.asarray(np.clip((done - at_pitching) / (1.0 - at_pitching), 0.0, 1.0))


def _normalised(time: FloatArray, drop: FloatArray) -> Shape:
    rising = np.maximum.accumulate(drop - drop[0])
    return Shape(time=time, fraction=rising / rising[-1])


def logistic(
    time: FloatArray, *, upper: float, lower: float, steepness: float, middle: float, s: float = 1.0
) -> FloatArray:
    """Pe + (P0 - Pe)/(1 + exp(B (t - M)))^s: ASBC Yeast-14 with s = 1 (Speers, Rogers, Smith 2003).

    The fifth parameter after MacIntosh et al., Fermentation 7(1), 13, 2021; its place in the formula is from memory.
    """
    return np.asarray(lower + (upper - lower) / (1.0 + np.exp(steepness * (time - middle))) ** s)


def gompertz(time: FloatArray, total: float, greatest_rate: float, lag: float) -> FloatArray:
    """The drop A exp(-exp(m e (L - t)/A + 1)), Zwietering et al. 1990 (from memory)."""
    return np.asarray(total * np.exp(-np.exp(greatest_rate * np.e * (lag - time) / total + 1.0)))


def runge_kutta(derivative: Derivative, start: FloatArray, step: float, count: int) -> FloatArray:
    """States (count + 1, n) of classical fourth-order Runge-Kutta with a fixed step."""
    states = np.empty((count + 1, start.size))
    states[0] = state = start
    for index in range(count):
        k1 = derivative(state)
        k2 = derivative(state + 0.5 * step * k1)
        k3 = derivative(state + 0.5 * step * k2)
        k4 = derivative(state + step * k3)
        state = state + step / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4)
        states[index + 1] = state
    return states


_ARRHENIUS = {
    "mx": (108.31, -31934.09),
    "ms": (-41.92, 11654.64),
    "ml": (30.72, -9501.54),
    "km": (130.16, -38313.0),
    "md": (33.82, -10033.28),
    "ma": (3.27, -1267.24),
    "ks": (-119.63, 34203.95),
}


def andres_toro_1998(temperature_c: float) -> Derivative:
    """Lag, active and bottom biomass, sugar, ethanol in g/L over hours, at a constant temperature (8..24 C).

    Source: de Andres-Toro et al., Math. Comput. Simul. 48, 65-74, 1998; by-products left out, they feed nothing back.
    """
    kelvin = temperature_c + 273.15
    rate = {name: float(np.exp(a + b / kelvin)) for name, (a, b) in _ARRHENIUS.items()}

    def derivative(state: FloatArray) -> FloatArray:
        lagging, active, bottom, sugar, ethanol = state.tolist()
        sugar = max(sugar, 0.0)
        growth = rate["mx"] * sugar / (0.5 * START_SUGAR_G_L + ethanol)
        settling = rate["md"] * 0.5 * START_SUGAR_G_L / (0.5 * START_SUGAR_G_L + ethanol)
        uptake = sugar / (rate["ks"] + sugar)
        inhibition = 1.0 - ethanol / (0.5 * START_SUGAR_G_L)
        return np.array(
            [
                -rate["ml"] * lagging,
                (growth - rate["km"]) * active + rate["ml"] * lagging,
                rate["km"] * active - settling * bottom,
                -rate["ms"] * uptake * active,
                inhibition * rate["ma"] * uptake * active,
            ]
        )

    return derivative


START_SUGAR_G_L = 130.0
ANDRES_TORO_START = np.array([1.92, 0.08, 2.0, START_SUGAR_G_L, 0.0])


def _draw_logistic(rng: Generator) -> Shape:
    time = np.linspace(-8.0, 12.0, 1201)
    return Shape(time=time, fraction=1.0 - logistic(time, upper=1.0, lower=0.0, steepness=1.0, middle=0.0))


def _draw_five(rng: Generator) -> Shape:
    time = np.linspace(-16.0, 24.0, 2001)
    s = float(rng.uniform(0.4, 2.2))
    return Shape(time=time, fraction=1.0 - logistic(time, upper=1.0, lower=0.0, steepness=1.0, middle=0.0, s=s))


def _draw_gompertz(rng: Generator) -> Shape:
    time = np.linspace(-2.0, 6.0, 1201)
    return Shape(time=time, fraction=gompertz(time, 1.0, 1.0, 0.0))


def _draw_sequential(rng: Generator) -> Shape:
    """Glucose, maltose, maltotriose in turn, with repression: Gee and Ramirez, J. Inst. Brew. 100, 321-329, 1994.

    The equations are the paper's (from memory), the numbers are drawn: they only make shapes.
    """
    v1, v2, v3 = rng.uniform(0.10, 0.2), rng.uniform(0.10, 0.25), rng.uniform(0.03, 0.08)
    k1, k2, k3 = rng.uniform(0.02, 0.06, 3)
    repress1, repress2 = rng.uniform(0.05, 0.2), rng.uniform(0.1, 0.3)
    most = rng.uniform(3.0, 6.0)
    start = np.array([rng.uniform(0.12, 0.25), rng.uniform(0.5, 0.65), rng.uniform(0.10, 0.18), rng.uniform(0.15, 0.5)])

    def derivative(state: FloatArray) -> FloatArray:
        glucose, maltose, triose, cells = np.maximum(state, 0.0).tolist()
        m1 = v1 * glucose / (k1 + glucose)
        m2 = v2 * maltose / (k2 + maltose) * repress1 / (repress1 + glucose)
        m3 = v3 * triose / (k3 + triose) * repress1 / (repress1 + glucose) * repress2 / (repress2 + maltose)
        growth = 3.0 * (m1 + m2 + m3) * (1.0 - cells / most)
        return np.array([-m1 * cells, -m2 * cells, -m3 * cells, growth * cells])

    states = runge_kutta(derivative, start, 0.1, 900)
    return _normalised(0.1 * np.arange(901.0), -states[:, :3].sum(axis=1))


def _draw_andres_toro(rng: Generator) -> Shape:
    states = runge_kutta(andres_toro_1998(float(rng.uniform(9.0, 13.5))), ANDRES_TORO_START, 0.5, 520)
    return _normalised(0.5 * np.arange(521.0), -states[:, 3])


def _draw_monod(rng: Generator) -> Shape:
    """Biomass growing on sugar after Monod (1949), with linear ethanol inhibition and a carrying capacity."""
    half, inhibition, uptake = rng.uniform(0.03, 0.25), rng.uniform(0.0, 0.6), rng.uniform(0.15, 0.3)
    start = np.array([rng.uniform(0.08, 0.3), 1.0])

    def derivative(state: FloatArray) -> FloatArray:
        cells, sugar = np.maximum(state, 0.0).tolist()
        activity = sugar / (half + sugar) * (1.0 - inhibition * (1.0 - sugar))
        return np.array([0.5 * activity * cells * (1.0 - cells), -uptake * activity * cells])

    states = runge_kutta(derivative, start, 0.1, 800)
    return _normalised(0.1 * np.arange(801.0), -states[:, 1])


FAMILIES: dict[str, Callable[[Generator], Shape]] = {
    "logistic": _draw_logistic,
    "five-parameter": _draw_five,
    "gompertz": _draw_gompertz,
    "sequential": _draw_sequential,
    "andres-toro": _draw_andres_toro,
    "monod": _draw_monod,
}


def draw_shape(family: str, rng: Generator) -> Shape:
    """A shape of `family`, one of `FAMILIES`."""
    return FAMILIES[family](rng)
