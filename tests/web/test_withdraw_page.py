"""A mistyped hand sample is withdrawn on the page, in two steps and without script."""

from __future__ import annotations

import re

import pytest
from fastapi.testclient import TestClient

from gylewatch.values import BatchId
from storage.store import Store
from tests.web import brewery
from tests.web.test_pages import OURS, text


@pytest.fixture
def place(store: Store, batch_id: BatchId) -> str:
    """The path of the only sample's withdrawal."""
    ((number, _),) = store.samples(batch_id)
    return f"/batches/{batch_id}/samples/{number}/withdraw"


def test_the_batch_page_leads_to_the_question_and_the_question_says_what_it_does(
    client: TestClient, store: Store, batch_id: BatchId, place: str
) -> None:
    assert re.findall('href="(.*?/withdraw)"', client.get(f"/batches/{batch_id}").text) == [place]

    page = text(client.get(place).text)

    assert "Withdraw this sample? Of Harbour Pale, drawn 5 Mar 2026, 10:30 UTC" in page
    assert "hydrometer" in page
    assert "1.028 SG at 19.0 °C" in page
    assert "The batch is read again from its readings" in page
    assert len(store.samples(batch_id)) == 1  # a look changes nothing


def test_confirmed_it_is_gone_from_the_list_and_the_batch_is_read_again(
    client: TestClient, store: Store, batch_id: BatchId, place: str
) -> None:
    page = text(client.post(place, data={"who": " Ada  Lark"}, headers=OURS).text)

    assert "The sample is withdrawn, and nothing uses it any more." in page
    assert store.samples(batch_id) == ()
    assert store.footing(batch_id).withdrawn == 1
    assert store.latest_estimate(batch_id) is None  # forgotten, to be concluded anew


def test_of_an_ended_batch_the_estimates_stay_and_the_page_says_so(
    client: TestClient, store: Store, batch_id: BatchId, place: str
) -> None:
    store.end_batch(batch_id, brewery.NOW)
    assert "its estimates and alerts stay as they are" in text(client.get(place).text)

    client.post(place, data={"who": ""}, headers=OURS)

    assert store.samples(batch_id) == ()
    assert store.latest_estimate(batch_id) is not None


def test_a_sample_withdrawn_meanwhile_or_of_another_batch_is_not_found(
    client: TestClient, store: Store, batch_id: BatchId, place: str
) -> None:
    other = brewery.add_batch(store, brewery.harbour_pale("Quay Stout", "curlew", "FV2"))
    elsewhere = place.replace(batch_id, other)
    assert (
        client.get(elsewhere).status_code == client.post(elsewhere, data={"who": ""}, headers=OURS).status_code == 404
    )
    client.post(place, data={"who": ""}, headers=OURS)

    answer = client.post(place, data={"who": ""}, headers=OURS)

    assert answer.status_code == 404
    assert "it may be withdrawn already" in text(answer.text)
    assert store.footing(batch_id).withdrawn == 1


def test_a_form_from_elsewhere_withdraws_nothing(
    client: TestClient, store: Store, batch_id: BatchId, place: str
) -> None:
    assert client.post(place, data={}, headers={"Origin": "http://elsewhere.example"}).status_code == 403
    assert len(store.samples(batch_id)) == 1
