"""How fast the gravity falls: a family of fermentation curves, with its integrals.

Progress p runs from 0 at pitching to 1 at the final gravity. The family is

    dp/dt = k f(T) h(p) / (4 max h),    h(p) = p^a (1 - p)^b

so that k (1/h) is four times the greatest rate whatever the shape, as in the logistic curve. a = b = 1 is the
logistic curve of the ASBC miniature fermentation assay (Yeast-14; Speers, Rogers and Smith, J. Inst. Brew. 109(3),
229-235, 2003); a < b puts the steepest point before the half-way mark, as in the modified Gompertz curve (Zwietering
et al., Appl. Environ. Microbiol. 56, 1875-1881, 1990), a > b behind it, as when sugar is taken up at a constant rate
until it runs out. The form is the generalised logistic
growth law of Blumberg, J. Theor. Biol. 21, 42-44, 1968 (from memory).

Everything is vectorised over particles and works in z = logit p, where the logistic curve is a straight line.
"""

from __future__ import annotations

from math import ceil, exp, log
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

TAIL_HOURS = 60.0
# The sugars taken up last (maltotriose and larger) go by first-order decay once the easy ones are mostly gone:
# sequential uptake as in Gee and Ramirez, J. Inst. Brew. 100, 321-329, 1994; in two to three days they fall to a third
# (common practice, no source)

Z_LIMIT = 12.0
# logit of 6e-6: beyond it neither beginning nor end can be told from 0 and 1 (0.0003 points of a 50-point drop)

TEMPERATURE_PER_C = 0.085
# d ln(rate)/dT. Yeast doubles to treble its rate over ten degrees (Q10 of 2 to 3: common practice, no source).

COLD_FALL_C = 7.0
COLD_WIDTH_C = 1.5
# Cooled this far below the warmest temperature it worked at, yeast drops out and all but stops (cold crash: common
# practice, no source). The factor falls over COLD_WIDTH_C.


def between(values: FloatArray, low: float, high: float) -> FloatArray:
    """`values` held between two bounds: `numpy.clip` without its cost for small arrays."""
    return np.minimum(np.maximum(values, low), high)


def progress(z: FloatArray) -> FloatArray:
    """Progress p in 0..1 of z = logit p, any shape."""
    return 1.0 / (1.0 + np.exp(-z))


def logit(p: FloatArray) -> FloatArray:
    """The inverse of `progress`, for p between 0 and 1."""
    z: FloatArray = np.log(p) - np.log1p(-p)
    return z


def arrhenius(temperature_c: float, reference_c: float) -> float:
    """Rate of healthy yeast at `temperature_c` over that at `reference_c`."""
    return exp(TEMPERATURE_PER_C * (temperature_c - reference_c))


def temperature_factor(temperature_c: float, reference_c: float, warmest_c: float) -> float:
    """Rate at `temperature_c` over the rate at `reference_c`; `warmest_c` is the warmest the yeast has worked at."""
    return arrhenius(temperature_c, reference_c) / (1.0 + exp((warmest_c - COLD_FALL_C - temperature_c) / COLD_WIDTH_C))


class Shape(NamedTuple):
    """Shapes of n curves; (n,) each, or (n, 1) to go with several z for each curve."""

    a: FloatArray
    b: FloatArray
    # With ln p = -ln(1+e^-z) and ln(1-p) = ln p - z, ln of the speed at k = 1 is by_log_p ln p + by_z z - log_most:
    by_log_p: FloatArray
    by_z: FloatArray
    log_most: FloatArray  # ln of 4 max p^a (1-p)^b, reached at p = a/(a+b)

    def column(self) -> Shape:
        """The same as columns."""
        return Shape(*(each[:, None] for each in self))


def shape_of(a: FloatArray, b: FloatArray) -> Shape:
    """The shapes with exponents a of the rise and b of the fall, (n,) each."""
    total: FloatArray = a + b
    log_most = a * np.log(a / total) + b * np.log(b / total) + log(4.0)
    return Shape(a, b, total - 2.0, 1.0 - b, log_most)


def speed(z: FloatArray, k_per_h: FloatArray, shape: Shape) -> FloatArray:
    """dz/dt in 1/h at the reference temperature."""
    log_p = -np.log1p(np.exp(-z))
    return k_per_h * np.exp(shape.by_log_p * log_p + shape.by_z * z - shape.log_most)


def advance(
    z: FloatArray, k_per_h: FloatArray, shape: Shape, hours: float, *, dz_dt: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """z after `hours` at constant k, and its speed there; `dz_dt` is the speed at z, if it is known.

    Midpoint rule, steps of an hour, in a gap of days longer ones.
    """
    steps = min(max(1, ceil(hours)), 48)
    step = hours / steps
    dz_dt = speed(z, k_per_h, shape) if dz_dt is None else dz_dt
    for _ in range(steps):
        half = z + 0.5 * step * dz_dt
        z = np.minimum(z + step * speed(np.minimum(half, Z_LIMIT), k_per_h, shape), Z_LIMIT)
        dz_dt = speed(z, k_per_h, shape)
    return z, dz_dt


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)


def hours_between(z: FloatArray, z_end: FloatArray, k_per_h: FloatArray, shape: Shape) -> FloatArray:
    """Hours to go from z to z_end at constant k, negative where z_end lies behind (Gauss-Legendre, eight nodes)."""
    half = 0.5 * (z_end - z)
    pace = speed(z[:, None] + half[:, None] * (1.0 + _NODES), k_per_h[:, None], shape.column())
    return half * ((1.0 / pace) @ _WEIGHTS)
