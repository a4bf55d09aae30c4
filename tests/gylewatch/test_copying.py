"""Copies of frozen values with some fields changed, beside the standard library's own."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import Any

import pytest

from gylewatch.copying import replace


@dataclass(frozen=True, kw_only=True)
class Wort:
    gravity_sg: float
    label: str = ""
    points: float = field(init=False)

    def __post_init__(self) -> None:
        if self.gravity_sg < 0.9:
            raise ValueError("that is no wort")
        object.__setattr__(self, "points", (self.gravity_sg - 1) * 1000)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    name: str
    angle_deg: float
    battery_v: float


WORT, SENSOR = Wort(gravity_sg=1.050, label="first"), Sensor(name="oak", angle_deg=50.0, battery_v=3.1)


@pytest.mark.parametrize("changes", [{}, {"gravity_sg": 1.04}, {"label": "second"}, {"gravity_sg": 1.0, "label": ""}])
def test_a_copy_is_the_one_that_the_standard_library_makes(changes: dict[str, Any]) -> None:
    assert replace(WORT, **changes) == dataclasses.replace(WORT, **changes)


def test_what_is_not_named_is_kept_and_the_first_value_stays() -> None:
    tilted = replace(SENSOR, angle_deg=30.0)

    assert tilted == Sensor(name="oak", angle_deg=30.0, battery_v=3.1)
    assert replace(SENSOR, name="ash", battery_v=2.9) == Sensor(name="ash", angle_deg=50.0, battery_v=2.9)
    assert SENSOR.angle_deg == 50.0


def test_a_copy_is_checked_as_a_new_value_is() -> None:
    assert replace(WORT, gravity_sg=1.010).points == pytest.approx(10.0)
    with pytest.raises(ValueError, match="no wort"):
        replace(WORT, gravity_sg=0.5)


def test_a_field_that_is_not_there_is_refused() -> None:
    unknown: dict[str, Any] = {"plato": 12.0}

    with pytest.raises(TypeError, match="plato"):
        replace(SENSOR, **unknown)
