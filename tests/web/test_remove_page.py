"""A batch that was entered by mistake is removed on the page, which says what is lost, without script."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from gylewatch.errors import NotFound, StorageError
from gylewatch.values import BatchId
from storage.store import Store
from tests.web import brewery
from tests.web.test_end_page import links
from tests.web.test_pages import OURS, text

PLACE = "/batches/harbour-pale/remove"


def test_the_question_says_what_is_lost_and_what_stays(client: TestClient, store: Store, batch_id: BatchId) -> None:
    assert links(client.get(f"/batches/{batch_id}").text)[-2:] == [f"/batches/{batch_id}/end", PLACE]

    page = text(client.get(PLACE).text)

    assert "every estimate from pitching until 7 Mar 2026, 16:30 UTC, and so its graph" in page
    assert "1 hand sample" in page
    assert "2 messages of its alerts" in page
    assert "The readings of float heron and its curves stay" in page
    assert "One whose beer is packaged, or given up, is ended: then all that is known of it stays." in page
    assert store.batch(batch_id).ended is None  # a look changes nothing


def test_it_goes_once_the_box_is_ticked(client: TestClient, store: Store, batch_id: BatchId) -> None:
    asked = client.post(PLACE, data={"sure": ""}, headers=OURS)
    assert asked.status_code == 422
    assert "Tick the box if all this may be lost." in text(asked.text)
    assert store.batch(batch_id).batch == brewery.harbour_pale()

    for _ in range(2):  # the button is tapped twice
        answer = client.post(PLACE, data={"sure": "1"}, headers=OURS)
        assert answer.url.path == "/"
        assert "The batch is removed; its name, its vessel and its float are free." in text(answer.text)

    with pytest.raises(NotFound):
        store.batch(batch_id)
    assert len(store.readings(brewery.HERON)) == 118
    assert "is removed" not in text(client.get("/").text)


def test_an_ended_batch_can_be_removed_too(client: TestClient, store: Store, batch_id: BatchId) -> None:
    store.end_batch(batch_id, brewery.NOW)
    assert links(client.get(f"/batches/{batch_id}").text)[-1] == PLACE

    assert 'One that is over stays under "Ended" on the board' in text(client.get(PLACE).text)
    client.post(PLACE, data={"sure": "1"}, headers=OURS)

    assert store.batches() == ()


def test_one_of_which_nothing_is_known_goes_at_once(client: TestClient, store: Store) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())
    page = client.get(PLACE).text
    assert "checkbox" not in page
    assert "estimate" not in text(page)

    client.post(f"/batches/{batch_id}/remove", data={"sure": ""}, headers=OURS)

    assert store.batches() == ()


def test_a_database_that_is_busy_is_said_so(
    client: TestClient, store: Store, batch_id: BatchId, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*_: object) -> None:
        raise StorageError("the database is locked", retry=True)

    monkeypatch.setattr(Store, "remove_batch", busy)

    answer = client.post(PLACE, data={"sure": "1"}, headers=OURS)

    assert answer.status_code == 503
    assert "The batch is not removed: the database is locked." in text(answer.text)
    assert store.batch(batch_id).ended is None


def test_a_form_from_elsewhere_is_refused(client: TestClient, store: Store, batch_id: BatchId) -> None:
    answer = client.post(PLACE, data={"sure": "1"}, headers={"Origin": "http://elsewhere.example"})

    assert answer.status_code == 403
    assert store.batch(batch_id).ended is None
    assert client.get("/batches/nowhere/remove").status_code == 404
