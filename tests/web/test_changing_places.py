"""Two beers change vessels in one step on the page, once somebody says that they do."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from gylewatch.values import BatchId
from storage.store import Store
from tests.web import brewery
from tests.web.test_entry_page import selected, shown
from tests.web.test_pages import OURS, text

PALE = "/batches/harbour-pale/change"


@pytest.fixture
def stout(store: Store, batch_id: BatchId) -> BatchId:
    """A second beer, in the second vessel; beside the first one."""
    assert store.batch(batch_id).batch.vessel == "FV1"
    return brewery.add_batch(store, brewery.harbour_pale("Quay Stout", "curlew", "FV2"))


def vessels(store: Store) -> dict[str, str]:
    return {record.batch_id: record.batch.vessel for record in store.batches()}


def test_the_vessel_of_another_beer_is_taken_once_it_is_said_where_that_one_goes(
    client: TestClient, store: Store, stout: BatchId
) -> None:
    form = client.get(PALE).text
    assert '<option value="FV2">FV2 (in use: Quay Stout)</option>' in form
    assert '<option value="curlew" disabled>curlew (in use: Quay Stout)</option>' in form  # a float measures on
    assert 'name="swap"' not in form
    fields = shown(form) | {"vessel": "FV2"}

    asked = client.post(PALE, data=fields, headers=OURS)

    assert asked.status_code == 422
    assert (
        "Vessel FV2 holds Quay Stout. If the two beers change places, say so below: Quay Stout goes into FV1"
        in text(asked.text)
    )
    assert f'<input type="checkbox" name="swap" value="{stout}" aria-invalid="true"> Quay Stout goes into FV1' in (
        asked.text
    )
    assert selected(asked.text, "vessel") == "FV2"
    assert vessels(store) == {"harbour-pale": "FV1", stout: "FV2"}
    for _ in range(2):  # the button is tapped twice
        done = client.post(PALE, data=fields | {"swap": stout}, headers=OURS)
        assert done.url.path == "/batches/harbour-pale"
        assert vessels(store) == {"harbour-pale": "FV2", stout: "FV1"}


def test_only_the_beer_that_was_named_makes_room(client: TestClient, store: Store, stout: BatchId) -> None:
    mild = brewery.add_batch(store, brewery.harbour_pale("Pier Mild", "tern", "FV3"))
    fields = shown(client.get(PALE).text) | {"vessel": "FV3", "swap": stout}

    answer = client.post(PALE, data=fields, headers=OURS)

    assert answer.status_code == 422
    assert "Vessel FV3 holds Pier Mild." in text(answer.text)
    assert vessels(store) == {"harbour-pale": "FV1", stout: "FV2", mild: "FV3"}


def test_what_was_ticked_stays_while_something_else_is_asked(client: TestClient, store: Store, stout: BatchId) -> None:
    fields = shown(client.get(PALE).text) | {"vessel": "FV2", "swap": stout, "volume": "much"}
    assert client.post(PALE, data=fields, headers=OURS).status_code == 422

    warmer = client.post(PALE, data=fields | {"volume": "21", "temperature_low": "16"}, headers=OURS)

    assert warmer.status_code == 422
    assert f'value="{stout}" checked' in warmer.text
    assert "Vessel FV2 holds" not in text(warmer.text)
    assert vessels(store) == {"harbour-pale": "FV1", stout: "FV2"}
