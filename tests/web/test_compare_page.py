from __future__ import annotations

from datetime import timedelta

import pytest
from fastapi.testclient import TestClient

from gylewatch.values import BatchId, Instrument, Reading, Sample, Unit
from storage.store import Store
from tests.web import brewery
from tests.web.test_pages import calibrate, text


@pytest.fixture
def plain_batch(store: Store) -> BatchId:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())
    calibrate(store)
    return batch_id


def draw(store: Store, batch_id: BatchId, hours: float, gravities_sg: dict[Instrument, float]) -> None:
    """One sample at 20 °C, where hydrometer and density meter in SG need no correction, and the float beside it."""
    time = brewery.PITCHED + timedelta(hours=hours)
    for minutes, (instrument, gravity) in enumerate(gravities_sg.items()):
        store.add_sample(
            batch_id,
            Sample(
                time=time + timedelta(minutes=minutes),
                instrument=instrument,
                value=gravity,
                unit=Unit.SG,
                sample_temperature_c=20.0,
            ),
        )
    store.append_readings(
        [
            Reading(time=time + timedelta(minutes=5 * n), float_id=brewery.HERON, angle_deg=40.0, temperature_c=20.0)
            for n in range(-3, 4)
        ]
    )


def test_instruments_and_float_stand_beside_each_other_with_the_best_value(
    client: TestClient, store: Store, plain_batch: BatchId
) -> None:
    draw(store, plain_batch, 50, {Instrument.HYDROMETER: 1.0200, Instrument.DENSITY_METER: 1.0200})

    page = text(client.get(f"/batches/{plain_batch}/compare").text)

    for name in ("hydrometer1.0200", "density-meter1.0200", "float heron1.0", "best value1.0200"):
        assert name in page
    assert "All agree within what they claim." in page
    assert "how they differ over time needs that" in page


def test_the_instrument_that_is_off_is_named(client: TestClient, store: Store, plain_batch: BatchId) -> None:
    draw(store, plain_batch, 50, {Instrument.DENSITY_METER: 1.0200, Instrument.HYDROMETER: 1.0320})

    page = text(client.get(f"/batches/{plain_batch}/compare").text)

    assert "hydrometer off1.0320" in page
    assert "The hydrometer reads 12" in page
    assert "check it in plain water" in page


def test_bias_and_limits_of_agreement_are_told_over_the_samples(
    client: TestClient, store: Store, plain_batch: BatchId
) -> None:
    draw(store, plain_batch, 50, {Instrument.HYDROMETER: 1.0220, Instrument.DENSITY_METER: 1.0200})
    draw(store, plain_batch, 90, {Instrument.HYDROMETER: 1.0220, Instrument.DENSITY_METER: 1.0220})

    page = text(client.get(f"/batches/{plain_batch}/compare").text)

    # Differences of 2 and 0 points: mean 1, sd sqrt(2), limits 1 ± 1.96 sqrt(2) = -1.8 and 3.8, standard error 1. Of
    # two samples 80 % is 3.078 standard errors (Student's t with one degree of freedom, any table).
    assert "hydrometer and density-meter2+1.0 ± 3.1-1.8 to +3.8" in page


def test_what_stands_behind_plus_minus_holds_as_often_as_the_footer_says(
    client: TestClient, store: Store, plain_batch: BatchId
) -> None:
    draw(store, plain_batch, 50, {Instrument.HYDROMETER: 1.0220, Instrument.DENSITY_METER: 1.0200})

    page = text(client.get(f"/batches/{plain_batch}/compare").text)

    # A hydrometer's reading is sure to one point of standard deviation: 1.28 points on either side hold 80 %.
    assert "hydrometer1.02201.3" in page
    assert "± holds 8 times out of 10." in page


def test_a_batch_without_samples_is_told_what_to_do(client: TestClient, plain_batch: BatchId) -> None:
    page = text(client.get(f"/batches/{plain_batch}/compare").text)

    assert "Nothing to compare yet" in page
    assert "measure one sample with each of your instruments" in page


def test_a_batch_that_is_not_there_is_not_found(client: TestClient) -> None:
    assert client.get("/batches/nowhere/compare").status_code == 404


def test_the_batch_leads_to_its_comparison(client: TestClient, batch_id: BatchId) -> None:
    assert f'href="/batches/{batch_id}/compare"' in client.get(f"/batches/{batch_id}").text
