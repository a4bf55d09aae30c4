"""How fast the gravity falls: a family of fermentation curves, with its integrals.

Progress p runs from 0 at pitching to 1 at the final gravity. The family is

    dp/dt = k f(T) 4 h(p) / max h,    h(p) = p^a (1 - p)^b

so that k (1/h) is four times the greatest rate whatever the shape, as in the logistic curve. a = b = 1 is the
logistic curve of the ASBC miniature fermentation assay (Yeast-14; Speers, Rogers and Smith, J. Inst. Brew. 109(3),
229-235, 2003); a < b puts the steepest point before the half-way mark, as in the modified Gompertz curve (Zwietering
et al., Appl. Environ. Microbiol. 56, 1875-1881, 1990), a > b behind it, as when sugar is taken up at a constant rate
until it runs out. The form is the generalised logistic
growth law of Blumberg, J. Theor. Biol. 21, 42-44, 1968 (from memory).

Everything is vectorised over particles and works in z = logit p, where the logistic curve is a straight line.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

TAIL_HOURS = 60.0
# The sugars taken up last (maltotriose and larger) go by first-order decay once the easy ones are mostly gone:
# sequential uptake as in Gee and Ramirez, J. Inst. Brew. 100, 321-329, 1994; the last points take two to three days
# each time they halve or so (common practice, no source)

Z_LIMIT = 12.0
# logit of 6e-6: beyond it neither beginning nor end can be told from 0 and 1 (0.0003 points of a 50-point drop)

TEMPERATURE_PER_C = 0.085
# d ln(rate)/dT. Yeast doubles to treble its rate over ten degrees (Q10 of 2 to 3: common practice, no source).

COLD_FALL_C = 7.0
COLD_WIDTH_C = 1.5
# Cooled this far below the warmest temperature it worked at, yeast drops out and all but stops (cold crash: common
# practice, no source). The factor falls over COLD_WIDTH_C.


def progress(z: FloatArray) -> FloatArray:
    """Progress p in 0..1 of z = logit p, any shape."""
    return 1.0 / (1.0 + np.exp(-z))


def temperature_factor(temperature_c: float, reference_c: float, warmest_c: float) -> float:
    """Rate at `temperature_c` over the rate at `reference_c`; `warmest_c` is the warmest the yeast has worked at."""
    arrhenius = np.exp(TEMPERATURE_PER_C * (temperature_c - reference_c))
    dormancy = 1.0 / (1.0 + np.exp((warmest_c - COLD_FALL_C - temperature_c) / COLD_WIDTH_C))
    return float(arrhenius * dormancy)


def log_peak(a: FloatArray, b: FloatArray) -> FloatArray:
    """ln of max p^a (1-p)^b, reached at p = a/(a+b)."""
    total: FloatArray = a + b
    return a * np.log(a / total) + b * np.log(b / total)


def speed(z: FloatArray, k_per_h: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
    """dz/dt in 1/h at the reference temperature."""
    p = progress(z)
    log_h = (a - 1.0) * np.log(p) + (b - 1.0) * np.log1p(-p)
    return 0.25 * k_per_h * np.exp(log_h - log_peak(a, b))


def advance(z: FloatArray, k_per_h: FloatArray, a: FloatArray, b: FloatArray, hours: float) -> FloatArray:
    """z after `hours` at constant k (midpoint rule, steps of an hour, in a gap of days longer ones)."""
    steps = min(max(1, int(np.ceil(hours))), 48)
    step = hours / steps
    for _ in range(steps):
        half = z + 0.5 * step * speed(z, k_per_h, a, b)
        z = np.minimum(z + step * speed(np.minimum(half, Z_LIMIT), k_per_h, a, b), Z_LIMIT)
    return z


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)


def hours_between(z: FloatArray, z_end: FloatArray, k_per_h: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
    """Hours to go from z to z_end at constant k; 0 where z_end lies behind (Gauss-Legendre, eight nodes)."""
    half = 0.5 * np.maximum(z_end - z, 0.0)
    at = z[:, None] + half[:, None] * (1.0 + _NODES)
    pace = speed(at, k_per_h[:, None], a[:, None], b[:, None])
    return half * ((1.0 / pace) @ _WEIGHTS)
