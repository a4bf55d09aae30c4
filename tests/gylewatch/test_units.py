"""Conversions against the published extract table and definitions."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gylewatch.units import (
    celsius_from_fahrenheit,
    fahrenheit_from_celsius,
    plato_from_sg,
    points_from_sg,
    sg_from_plato,
    sg_from_points,
)

# Apparent SG 20/20 °C in air from the ICUMSA SPS-4 density (computed), and the ASBC polynomial inverted numerically.
ICUMSA_AND_ASBC = [
    (1, 1.003877, 1.003892),
    (5, 1.019661, 1.019676),
    (6, 1.023678, 1.023690),
]


@pytest.mark.parametrize(("plato", "icumsa_sg", "asbc_sg"), ICUMSA_AND_ASBC)
def test_extract_agrees_with_the_sucrose_density_and_the_brewing_chemists_table(
    plato: float, icumsa_sg: float, asbc_sg: float
) -> None:
    gravity = sg_from_plato(float(plato))

    assert gravity == pytest.approx(asbc_sg, abs=1e-6)  # digits of the table
    assert gravity == pytest.approx(icumsa_sg, abs=3e-5)  # the polynomial's published misfit


@given(st.floats(0.98, 1.15))
def test_gravity_survives_the_way_through_plato(gravity_sg: float) -> None:
    assert sg_from_plato(plato_from_sg(gravity_sg)) == pytest.approx(gravity_sg, abs=1e-10)


@given(st.floats(-5.0, 35.0))
def test_plato_survives_the_way_through_gravity(plato: float) -> None:
    assert plato_from_sg(sg_from_plato(plato)) == pytest.approx(plato, abs=1e-9)


def test_an_array_is_converted_like_its_numbers() -> None:
    gravities = np.array([1.0, 1.048, 1.1])

    extracts = plato_from_sg(gravities)

    assert extracts.tolist() == [plato_from_sg(1.0), plato_from_sg(1.048), plato_from_sg(1.1)]


def test_fahrenheit_follows_its_definition() -> None:
    assert celsius_from_fahrenheit(68.0) == pytest.approx(20.0)
    assert fahrenheit_from_celsius(100.0) == pytest.approx(212.0)
    assert celsius_from_fahrenheit(-40.0) == pytest.approx(-40.0)


def test_a_point_is_a_thousandth() -> None:
    assert points_from_sg(1.048) == pytest.approx(48.0)
    assert sg_from_points(48.0) == pytest.approx(1.048)
