"""Refractometer: arithmetic of the published correlations, temperature table, and the mixture between them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.refractometer import (
    correlations,
    fermented_gravity,
    mixture_gravity_sg,
    temperature_correction_brix,
    wort_gravity_sg,
)
from gylewatch.errors import OutOfDomain
from gylewatch.units import plato_from_sg, sg_from_plato
from tests.calibration.published import rows_of

NAMES = {
    "bonham2001_cubic": "Bonham 2001, cubic",
    "terrill2011_linear": "Terrill 2011, linear",
    "terrill2011_cubic": "Terrill 2011, cubic",
    "novotny2017_linear": "Novotny 2017, linear",
    "novotny2017_quadratic": "Novotny 2017, quadratic",
}


@pytest.mark.parametrize(
    "row", rows_of("refractometer_examples"), ids=lambda row: f"{row['name']} {row['o']} {row['f']}"
)
def test_a_correlation_gives_its_worked_example(row: dict[str, str]) -> None:
    by_name = dict(correlations(float(row["o"]), float(row["f"])))

    assert by_name[NAMES[row["name"]]] == pytest.approx(float(row["sg"]), abs=6e-6)


@pytest.mark.parametrize(
    "row", rows_of("refractometer_temperature"), ids=lambda row: f"{row['t_c']} C {row['reading']} %"
)
def test_the_temperature_correction_follows_the_printed_table(row: dict[str, str]) -> None:
    tolerance = 0.005 if row["provenance"] == "text" else 0.04

    correction = temperature_correction_brix(float(row["reading"]), float(row["t_c"]))

    assert correction == pytest.approx(float(row["correction"]), abs=tolerance)


@pytest.mark.parametrize("t", [4.0, 31.0])
def test_a_temperature_beyond_the_table_is_refused(t: float) -> None:
    with pytest.raises(OutOfDomain, match="temperature"):
        temperature_correction_brix(10.0, t)


def test_wort_is_divided_by_the_wort_correction_factor() -> None:
    assert wort_gravity_sg(12.48) == pytest.approx(sg_from_plato(12.0), abs=1e-9)
    assert wort_gravity_sg(12.0, wort_correction_factor=1.0) == pytest.approx(sg_from_plato(12.0), abs=1e-9)


@given(st.floats(8.0, 22.0))
def test_a_wort_that_has_not_begun_reads_its_own_gravity(original_plato: float) -> None:
    assert mixture_gravity_sg(original_plato, original_plato) == pytest.approx(sg_from_plato(original_plato), abs=1e-7)


def test_a_finished_beer_lies_among_the_published_correlations() -> None:
    beer = fermented_gravity(6.0 * 1.04, sg_from_plato(12.0))

    values = [value for _, value in beer.by_correlation]
    assert len(values) == 6
    assert min(values) < beer.gravity_sg < max(values)
    assert 0.0005 < beer.spread_sg < 0.003


@given(st.floats(9.0, 20.0), st.floats(0.40, 1.05))
def test_a_higher_reading_never_means_a_lower_gravity(original_plato: float, share: float) -> None:
    original = sg_from_plato(original_plato)
    reading = share * plato_from_sg(original) * 1.04

    lower, higher = (fermented_gravity(brix, original).gravity_sg for brix in (reading, reading + 0.2))

    assert higher > lower
