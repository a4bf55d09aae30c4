"""Curve: one float's calibration, from angle to gravity with uncertainty; and the gravity of one reading under it.

The curve's value is the density of the liquid at its own temperature over that of water at 20 °C: that is what a float
feels. `gravity_reading` turns it into SG 20/20 °C.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
from numpy.polynomial import legendre

from calibration.expansion import TEMPERATURE_HIGH_C, TEMPERATURE_LOW_C, expansion_of
from gylewatch.errors import CalibrationError
from gylewatch.units import FloatArray
from gylewatch.values import FloatId, Reading, check_name

BASIS_SIZE = 5
# Legendre polynomials of degree 0..4 on the reference range. Up to `Curve.degree` the points bear the coefficient;
# beyond it the coefficient is what a smooth angle law may still hold, all but its prior's uncertainty near zero.

MOVING_G = 0.08  # |a| this far from 1 g is no rest; cheap accelerometers are off by up to 0.05 g (common practice)
_NEGLIGIBLE_MODE_SG = 2e-5  # 0.02 points at its largest: far below any instrument in the cellar

_TO_POWERS = np.zeros((BASIS_SIZE, BASIS_SIZE))  # row k: P_k as a polynomial, lowest power first
for _k in range(BASIS_SIZE):
    _TO_POWERS[_k, : _k + 1] = legendre.leg2poly([0.0] * _k + [1.0])
# P_k(1) = 1 and P_k'(1) = k (k + 1)/2; at -1 the same with alternating signs.
_K = np.arange(BASIS_SIZE)
_VALUE_HIGH, _VALUE_LOW = np.ones(BASIS_SIZE), (-1.0) ** _K
_SLOPE_HIGH = _K * (_K + 1) / 2.0
_SLOPE_LOW = -_VALUE_LOW * _SLOPE_HIGH
for _constant in (_TO_POWERS, _K, _VALUE_HIGH, _VALUE_LOW, _SLOPE_HIGH, _SLOPE_LOW):
    _constant.setflags(write=False)

Row = tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mode:
    """One direction of uncertainty as a polynomial of the scaled angle, with its linear continuations."""

    powers: Row  # highest power first, for Horner
    edge_low: float
    slope_low: float
    edge_high: float
    slope_high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Calibration of one float.

    With x = (2 a - high - low)/(high - low) the value at angle a is ``sum coefficients[k] P_k(x)``, P_k Legendre's
    polynomials. Beyond the range it goes on along the tangent at the edge, and its interval widens.
    """

    float_id: FloatId
    coefficients: Row  # SG; density over water at 20 °C
    covariance: tuple[Row, ...]  # SG², of the coefficients; parameters and inadequacy of the polynomial together
    angle_low_deg: float  # least and greatest reference angle used
    angle_high_deg: float
    degree: int  # the polynomial degree best supported by the points
    residual_sd_sg: float  # scatter of the reference points about the curve
    curvature_sd_sg: float  # sd of what the tangent misses at one half range beyond an edge; grows with the square
    residuals_sg: tuple[float, ...] = ()  # reference minus curve, in the order given
    excluded: tuple[int, ...] = ()  # places (from 0) of reference points that were not used
    excluded_reasons: tuple[str, ...] = ()  # one sentence for each

    _mean: _Mode = field(init=False, repr=False, compare=False)
    _modes: tuple[_Mode, ...] = field(init=False, repr=False, compare=False)  # greatest first
    _told: int = field(init=False, repr=False, compare=False)  # how many of them a reading carries, at most 5
    _variance: Row = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        _check(self)
        modes = _principal_modes(np.array(self.covariance))
        large = int(np.count_nonzero(np.abs(modes).sum(axis=1) > _NEGLIGIBLE_MODE_SG))
        set_once = object.__setattr__
        set_once(self, "_mean", _mode(np.array(self.coefficients)))
        set_once(self, "_modes", tuple(_mode(mode) for mode in modes))
        set_once(self, "_told", min(large + 1, BASIS_SIZE))
        variance = np.zeros(2 * BASIS_SIZE - 1)
        for mode in modes:
            variance += np.convolve(mode @ _TO_POWERS, mode @ _TO_POWERS)
        set_once(self, "_variance", tuple(float(c) for c in variance[::-1]))

    def evaluate(self, angle_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Gravity and its standard deviation under this curve.

        Parameters
        ----------
        angle_deg : (n,) degrees from vertical

        Returns
        -------
        gravity_sg, sd_sg : (n,) density of the liquid at its own temperature over water at 20 °C, and its sd; beyond
            the reference range the tangent and a sd that widens
        """
        half = 0.5 * (self.angle_high_deg - self.angle_low_deg)
        x = (np.asarray(angle_deg, dtype=np.float64) - (self.angle_low_deg + half)) / half
        inside = np.clip(x, -1.0, 1.0)
        gravity = _horner(self._mean.powers, inside)
        variance = _horner(self._variance, inside)
        outside = np.flatnonzero(x != inside)
        if outside.size:
            rows, missed = self.basis_rows(np.asarray(angle_deg, dtype=np.float64)[outside])
            gravity[outside] = rows @ np.array(self.coefficients)
            variance[outside] = np.einsum("ni,ij,nj->n", rows, np.array(self.covariance), rows) + missed**2
        return gravity, np.sqrt(np.maximum(variance, 0.0, out=variance), out=variance)

    def basis_rows(self, angle_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Gravity as a linear function of the coefficients, and what it leaves out beyond the range.

        Parameters
        ----------
        angle_deg : (n,) degrees from vertical

        Returns
        -------
        (n, 5) rows r with gravity = r @ coefficients; (n,) sd in SG of what the tangent misses, 0 inside the range
        """
        rows, beyond = tangent_rows(angle_deg, (self.angle_low_deg, self.angle_high_deg))
        return rows, self.curvature_sd_sg * beyond**2

    def to_json(self) -> dict[str, Any]:
        """The curve as a JSON object; `from_json` gives an equal curve back."""
        return {
            "format": "gylewatch-curve-1",
            "float": self.float_id,
            "basis": "legendre",
            "coefficients": list(self.coefficients),
            "covariance": [list(row) for row in self.covariance],
            "angle_low_deg": self.angle_low_deg,
            "angle_high_deg": self.angle_high_deg,
            "degree": self.degree,
            "residual_sd_sg": self.residual_sd_sg,
            "curvature_sd_sg": self.curvature_sd_sg,
            "residuals_sg": list(self.residuals_sg),
            "excluded": list(self.excluded),
            "excluded_reasons": list(self.excluded_reasons),
        }

    @classmethod
    def from_json(cls, document: Mapping[str, Any]) -> Curve:
        """Read what `to_json` wrote.

        Raises
        ------
        CalibrationError
            A key is missing or holds something else than a usable curve.
        """
        if not isinstance(document, Mapping) or document.get("format") != "gylewatch-curve-1":
            raise CalibrationError("this is not a curve exported by gylewatch: its format must be 'gylewatch-curve-1'")
        try:
            return cls(
                float_id=FloatId(check_name("float", document["float"])),
                coefficients=tuple(float(c) for c in document["coefficients"]),
                covariance=tuple(tuple(float(c) for c in row) for row in document["covariance"]),
                angle_low_deg=float(document["angle_low_deg"]),
                angle_high_deg=float(document["angle_high_deg"]),
                degree=int(document["degree"]),
                residual_sd_sg=float(document["residual_sd_sg"]),
                curvature_sd_sg=float(document["curvature_sd_sg"]),
                residuals_sg=tuple(float(c) for c in document.get("residuals_sg", ())),
                excluded=tuple(int(i) for i in document.get("excluded", ())),
                excluded_reasons=tuple(str(reason) for reason in document.get("excluded_reasons", ())),
            )
        except KeyError as error:
            raise CalibrationError(f"the curve lacks {error.args[0]!r}; export it again") from error
        except (TypeError, ValueError) as error:
            raise CalibrationError(f"the curve cannot be used: {error}; export it again") from error


@dataclass(frozen=True, slots=True, kw_only=True)
class GravityReading:
    """The gravity of one reading under one curve, before anything is known about foam, knocks and noise."""

    time: datetime
    angle_deg: float
    gravity_sg: float  # SG 20/20 °C, mean under the curve
    temperature_c: float
    sd_sg: float  # of the curve here
    modes_sg: tuple[float, ...]  # error of gravity_sg = sum modes_sg[j] u_j, u ~ N(0, 1) the same for all of one curve
    slope_sg_per_deg: float
    in_range: bool  # angle inside the reference range, temperature inside that of the expansion
    moving: bool  # an acceleration away from 1 g


def gravity_reading(curve: Curve, reading: Reading, *, original_gravity_sg: float | None) -> GravityReading:
    """Gravity at 20 °C of one reading.

    Parameters
    ----------
    original_gravity_sg : SG 20/20 °C; decides how much ethanol the liquid holds and so how it expands; None: that
        of a typical beer

    Source of the expansion: `calibration.density.beer_density`.
    """
    half = 0.5 * (curve.angle_high_deg - curve.angle_low_deg)
    x = (reading.angle_deg - (curve.angle_low_deg + half)) / half
    in_range = -1.0 <= x <= 1.0
    if in_range:
        raw, slope = _horner_with_slope(curve._mean.powers, x)
        modes = [_horner_scalar(mode.powers, x) for mode in curve._modes[: curve._told]]
        variance = _horner_scalar(curve._variance, x)
    else:
        raw, slope, modes, variance = _beyond(curve, x)
    temperature = reading.temperature_c
    factor = expansion_of(original_gravity_sg).factor(raw, temperature)
    return GravityReading(
        time=reading.time,
        angle_deg=reading.angle_deg,
        gravity_sg=raw * factor,
        temperature_c=temperature,
        sd_sg=math.sqrt(variance) * factor if variance > 0.0 else 0.0,
        modes_sg=tuple([mode * factor for mode in modes]),
        slope_sg_per_deg=slope / half * factor,
        in_range=in_range and TEMPERATURE_LOW_C <= temperature <= TEMPERATURE_HIGH_C,
        moving=reading.acceleration_g is not None and abs(reading.acceleration_g - 1.0) > MOVING_G,
    )


def tangent_rows(angle_deg: FloatArray, range_deg: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """(n, 5) Legendre basis at the angles, beyond the range its tangents; (n,) half ranges beyond it, with sign."""
    low, high = range_deg
    x = (2.0 * np.asarray(angle_deg, dtype=np.float64) - low - high) / (high - low)
    inside = np.clip(x, -1.0, 1.0)
    beyond = x - inside
    rows = np.asarray(legendre.legvander(inside, BASIS_SIZE - 1), dtype=np.float64)
    for above, places in ((False, np.flatnonzero(beyond < 0)), (True, np.flatnonzero(beyond > 0))):
        rows[places] = _edge_rows(beyond[places], above)
    return rows, beyond


def _beyond(curve: Curve, x: float) -> tuple[float, float, list[float], float]:
    mean = curve._mean
    if x > 0.0:
        d, raw, slope = x - 1.0, mean.edge_high + (x - 1.0) * mean.slope_high, mean.slope_high
        modes = [mode.edge_high + d * mode.slope_high for mode in curve._modes]
    else:
        d, raw, slope = x + 1.0, mean.edge_low + (x + 1.0) * mean.slope_low, mean.slope_low
        modes = [mode.edge_low + d * mode.slope_low for mode in curve._modes]
    missed = curve.curvature_sd_sg * d * d
    variance = missed * missed + sum([mode * mode for mode in modes])
    # What the tangent misses goes into the last, smallest mode: a reading has the same modes in and out of range.
    last = curve._told - 1
    edge = curve._modes[last].edge_high if x > 0.0 else curve._modes[last].edge_low
    return raw, slope, [*modes[:last], math.copysign(math.hypot(modes[last], missed), edge)], variance


def _principal_modes(covariance: FloatArray) -> FloatArray:
    """(5, 5): rows whose outer products sum to the covariance, ranked by what they do to gravity in and near the range.

    Ranked by the coefficients alone, a mode of high degree would be dropped that grows steeply beyond the edges.
    """
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    _, turn = np.linalg.eigh(root.T @ _NEAR_RANGE @ root)
    return np.asarray((root @ turn[:, ::-1]).T)


def _edge_rows(d: FloatArray, high: bool) -> FloatArray:
    value, slope = (_VALUE_HIGH, _SLOPE_HIGH) if high else (_VALUE_LOW, _SLOPE_LOW)
    return np.asarray(value + d[:, None] * slope)


def _mode(coefficients: FloatArray) -> _Mode:
    return _Mode(
        powers=tuple((coefficients @ _TO_POWERS)[::-1].tolist()),
        edge_low=float(coefficients @ _VALUE_LOW),
        slope_low=float(coefficients @ _SLOPE_LOW),
        edge_high=float(coefficients @ _VALUE_HIGH),
        slope_high=float(coefficients @ _SLOPE_HIGH),
    )


def _horner(powers: Row, x: FloatArray) -> FloatArray:
    total = np.full_like(x, powers[0])
    for coefficient in powers[1:]:
        total *= x
        total += coefficient
    return total


def _horner_scalar(powers: Row, x: float) -> float:
    total = 0.0
    for coefficient in powers:
        total = total * x + coefficient
    return total


def _horner_with_slope(powers: Row, x: float) -> tuple[float, float]:
    total = slope = 0.0
    for coefficient in powers:
        slope = slope * x + total
        total = total * x + coefficient
    return total, slope


def _check(curve: Curve) -> None:
    if len(curve.coefficients) != BASIS_SIZE or len(curve.covariance) != BASIS_SIZE:
        raise ValueError(f"a curve has {BASIS_SIZE} coefficients and a covariance of {BASIS_SIZE} rows")
    numbers = [
        *curve.coefficients,
        curve.angle_low_deg,
        curve.angle_high_deg,
        curve.residual_sd_sg,
        curve.curvature_sd_sg,
    ]
    numbers += [entry for row in curve.covariance for entry in row]
    if not all(math.isfinite(number) for number in numbers):
        raise ValueError("every number of a curve must be finite")
    if not curve.angle_low_deg < curve.angle_high_deg:
        raise ValueError("angle_low_deg must lie below angle_high_deg")
    if curve.residual_sd_sg < 0 or curve.curvature_sd_sg < 0:
        raise ValueError("a standard deviation must not be negative")
    covariance = np.array(curve.covariance)
    if covariance.shape != (BASIS_SIZE, BASIS_SIZE) or not np.allclose(covariance, covariance.T, rtol=1e-9, atol=1e-18):
        raise ValueError("the covariance must be square and symmetric")
    values = np.linalg.eigvalsh(covariance)
    if values[0] < -1e-9 * max(values[-1], 1e-18):
        raise ValueError("the covariance must not be negative")
    if len(curve.excluded) != len(curve.excluded_reasons):
        raise ValueError("every excluded point needs its reason")
    slopes = SLOPE_GRID @ np.array(curve.coefficients)
    if not (bool(np.all(slopes > 0)) or bool(np.all(slopes < 0))):
        raise ValueError("the curve must rise, or fall, over its whole range")


def _near_range() -> FloatArray:
    x = np.linspace(-1.0, 1.0, 41)
    steps = np.linspace(0.0, 0.4, 9)[1:]  # a float meets gravities a fifth of its range beyond either edge
    rows = np.concatenate([legendre.legvander(x, BASIS_SIZE - 1), _edge_rows(-steps, False), _edge_rows(steps, True)])
    product = np.asarray(rows.T @ rows, dtype=np.float64)
    product.setflags(write=False)
    return product


_NEAR_RANGE = _near_range()

SLOPE_GRID = np.stack(
    [legendre.legval(np.linspace(-1.0, 1.0, 129), legendre.legder(unit)) for unit in np.eye(BASIS_SIZE)], axis=1
)
"""(129, 5): slope in x of a curve all over its range, as a linear function of its coefficients."""
SLOPE_GRID.setflags(write=False)
