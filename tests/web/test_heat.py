"""Degrees Fahrenheit that a float sends for Celsius are asked about, on the page of its batch and at the terminal."""

from __future__ import annotations

from dataclasses import replace

import pytest
from fastapi.testclient import TestClient

from gylewatch.values import BatchId, Reading
from storage.store import Store
from tests.web import brewery
from tests.web.test_pages import text
from web.heat import heat_doubt


def hot(hours: float) -> Reading:
    return replace(brewery.reading(hours), temperature_c=66.2 if hours < 1 else 68.0)


@pytest.fixture
def pale(store: Store) -> BatchId:
    return brewery.add_batch(store, brewery.harbour_pale())


def test_a_float_that_sends_fahrenheit_is_asked_about_until_it_does_no_more(
    client: TestClient, store: Store, pale: BatchId
) -> None:
    store.append_readings([hot(minutes / 60) for minutes in range(120)])
    page = text(client.get(f"/batches/{pale}").text).replace("&#34;", '"')
    assert (
        "100 of the last 100 readings have a temperature of 66.2 °C or more: if that is °F, write unit = "
        '"F" in its mapping or layout, or let it be sent in °C (19.0 to 20.0), and what comes from then on is right.'
    ) in page

    store.append_readings([brewery.reading(2 + minutes / 60) for minutes in range(49)])
    assert heat_doubt(store, store.batch(pale)).startswith("51 of the last 100 readings have a temperature of 68 ")
    store.append_readings([brewery.reading(3)])

    assert heat_doubt(store, store.batch(pale)) == ""
    assert "if that is °F" not in text(client.get(f"/batches/{pale}").text)


def test_nothing_is_asked_of_a_float_before_pitching_nor_of_a_batch_that_is_over(store: Store, pale: BatchId) -> None:
    store.append_readings([hot(-1), hot(-0.5)])
    assert heat_doubt(store, store.batch(pale)) == ""

    store.append_readings([hot(1)])
    assert heat_doubt(store, store.batch(pale)).startswith("1 of the last 1 reading have")
    assert heat_doubt(store, store.end_batch(pale, brewery.NOW)) == ""
