"""Tilt of a float from the acceleration it measures at rest. Pure."""

from __future__ import annotations

import math
from enum import StrEnum

STANDARD_GRAVITY_M_S2 = 9.80665  # by definition: 3rd CGPM (1901), resolution 2; ISO 80000-3


class Axis(StrEnum):
    """The sensor axis that lies along the float's long axis and points at the end that is up when it floats upright."""

    X = "x"
    Y = "y"
    Z = "z"
    MINUS_X = "-x"
    MINUS_Y = "-y"
    MINUS_Z = "-z"


def tilt_deg(ax_m_s2: float, ay_m_s2: float, az_m_s2: float, long_axis: Axis = Axis.Z) -> float:
    """Angle between the float's long axis and the vertical.

    At rest an accelerometer shows the reaction to gravity, +1 g on the axis that points up; so an upright float with
    `long_axis` z shows az = +9.8 m/s2 and gives 0.

    Parameters
    ----------
    ax_m_s2, ay_m_s2, az_m_s2 : finite, m/s2, not all zero
    long_axis : the axis along the float

    Returns
    -------
    degrees, 0..180

    Source: arithmetic. atan2(across, along) is used and not acos(along/|a|), which loses digits near 0 and 180.
    """
    axes = {"x": ax_m_s2, "y": ay_m_s2, "z": az_m_s2}
    name = long_axis.value.removeprefix("-")
    along = -axes[name] if long_axis.value.startswith("-") else axes[name]
    across = math.hypot(*(value for key, value in axes.items() if key != name))
    return math.degrees(math.atan2(across, along))


def acceleration_g(ax_m_s2: float, ay_m_s2: float, az_m_s2: float) -> float:
    """|a| in units of standard gravity; away from 1 the float was moving."""
    return math.hypot(ax_m_s2, ay_m_s2, az_m_s2) / STANDARD_GRAVITY_M_S2
