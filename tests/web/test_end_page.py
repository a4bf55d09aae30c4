"""A batch is ended on the page, and its end taken back: each says what it does and asks once more, without script."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import pytest
from fastapi.testclient import TestClient

from fermentation.estimate import Phase
from gylewatch.errors import StorageError
from gylewatch.values import BatchId
from storage.store import Store
from tests.web import brewery
from tests.web.test_pages import OURS, text
from tests.web.test_verdict import rests


def links(page: str) -> list[str]:
    """The actions beside the name of the batch."""
    (part,) = re.findall(r'<div class="title">.*?</div>', page, flags=re.DOTALL)
    return re.findall(r'href="([^"]+)"', part)


def test_the_question_says_what_the_end_does_and_what_is_known_of_the_beer(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    assert f"/batches/{batch_id}/end" in links(client.get(f"/batches/{batch_id}").text)

    page = text(client.get(f"/batches/{batch_id}/end").text)

    assert (
        "its open alerts are over, nothing more is told of it, samples change no estimate, and float heron is" in page
    )
    # The last estimate is of 118 hours; now it is 144.
    assert "It does not count as finished. 26 h ago the gravity was 1.0123, still falling 0.6 ± 0.5 points" in page
    assert "A beer that still ferments can burst its bottles." in page
    assert store.batch(batch_id).ended is None  # a look changes nothing


def test_a_finished_beer_has_the_caution_of_every_bottling(client: TestClient, store: Store, batch_id: BatchId) -> None:
    store.save_outcomes(batch_id, estimates=[brewery.estimate(130, phase=Phase.FINISHED)], alerts=[brewery.finished()])

    page = text(client.get(f"/batches/{batch_id}/end").text)

    assert "does not count as finished" not in page
    assert "Before bottling take stable hand readings over two to three days" in page


@pytest.mark.parametrize(
    ("typed", "ended"),
    [("", brewery.NOW), ("2026-03-08T10:15", brewery.NOW.replace(hour=10, minute=15)),
     ("2026-03-08T12:15+02:00", brewery.NOW.replace(hour=10, minute=15))],
)  # fmt: skip
def test_it_ends_now_or_when_it_was_packaged(
    client: TestClient, store: Store, batch_id: BatchId, typed: str, ended: datetime
) -> None:
    answer = client.post(f"/batches/{batch_id}/end", data={"time": typed}, headers=OURS)

    assert answer.url.path == f"/batches/{batch_id}"
    assert "The batch has ended, and is no longer watched." in text(answer.text)
    assert store.batch(batch_id).ended == ended
    assert links(answer.text)[:2] == [f"/batches/{batch_id}/reopen", f"/batches/{batch_id}/end"]


@pytest.mark.parametrize(
    ("typed", "question"),
    [
        ("2026-03-08T18:36", "When was it packaged? 8 Mar 2026, 18:36 UTC lies in the future; end the batch when its"),
        (
            "2026-03-02T18:29",
            "2 Mar 2026, 18:29 UTC lies before the batch was pitched, at 2 Mar 2026, 18:30 UTC; give a",
        ),
        ("noon", "When was it packaged? 'noon' is not a time such as 2026-03-05T18:30 (UTC)."),
    ],
)
def test_a_time_that_cannot_be_is_asked_about_and_stays(
    client: TestClient, store: Store, batch_id: BatchId, typed: str, question: str
) -> None:
    answer = client.post(f"/batches/{batch_id}/end", data={"time": typed}, headers=OURS)

    assert answer.status_code == 422
    assert question in text(answer.text)
    assert f'value="{typed}" aria-invalid="true"' in answer.text
    assert store.batch(batch_id).ended is None


def test_the_time_of_an_end_is_corrected(client: TestClient, store: Store, batch_id: BatchId) -> None:
    store.end_batch(batch_id, brewery.NOW)

    page = client.get(f"/batches/{batch_id}/end").text
    client.post(f"/batches/{batch_id}/end", data={"time": "2026-03-07T10:00"}, headers=OURS)

    assert "When did Harbour Pale end?" in text(page)
    assert "It has ended already." in text(page)
    assert 'value="2026-03-08T18:30"' in page  # what stands, to be corrected
    assert "empty = now" not in page
    assert store.batch(batch_id).ended == datetime.fromisoformat("2026-03-07T10:00Z")


def test_an_end_that_is_sent_twice_stays_where_it_was(client: TestClient, store: Store, batch_id: BatchId) -> None:
    client.post(f"/batches/{batch_id}/end", data={"time": "2026-03-07T10:00"}, headers=OURS)

    answer = client.post(f"/batches/{batch_id}/end", data={"time": ""}, headers=OURS)

    assert "The batch has ended" in text(answer.text)
    assert store.batch(batch_id).ended == datetime.fromisoformat("2026-03-07T10:00Z")


def test_an_end_kept_to_the_second_is_not_moved_by_being_shown(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    ended = brewery.NOW - timedelta(seconds=20)
    store.end_batch(batch_id, ended)

    page = client.get(f"/batches/{batch_id}/end").text
    (shown,) = re.findall(r'name="time"[^>]* value="([^"]+)"', page)
    client.post(f"/batches/{batch_id}/end", data={"time": shown}, headers=OURS)

    assert store.batch(batch_id).ended == ended


@pytest.mark.parametrize(
    ("rest", "lacks"),
    [((3.0, 40.0), "it has been steady for 3 hours"), ((200.0, 2.0), "float heron has itself shown 2 of")],
)
def test_what_only_looks_finished_is_said_before_it_is_ended(
    client: TestClient, store: Store, batch_id: BatchId, rest: tuple[float, float], lacks: str
) -> None:
    still_h, seen_points = rest
    rests(store, batch_id, still_h=still_h, seen_points=seen_points)

    page = text(client.get(f"/batches/{batch_id}/end").text)

    assert f"It looks finished, but that is not told yet: {lacks}" in page
    assert "Before bottling take stable hand readings over two to three days" in page
    assert "use bottles made for pressure: they can burst" in page


def test_an_end_is_taken_back(client: TestClient, store: Store, batch_id: BatchId) -> None:
    store.end_batch(batch_id, brewery.NOW - timedelta(hours=1))
    address = f"/batches/{batch_id}/reopen"

    page = text(client.get(address).text)
    assert "What float heron has measured since is taken for this beer." in page
    assert store.batch(batch_id).ended is not None
    for _ in range(2):  # the button is tapped twice
        answer = client.post(address, headers=OURS)
        assert answer.url.path == f"/batches/{batch_id}"
        assert "The batch is watched again." in text(answer.text)
    record = store.batch(batch_id)
    assert (record.ended, record.reopened) == (None, brewery.NOW)
    assert store.latest_estimate(batch_id) is None  # forgotten, to be concluded anew


def test_what_is_in_the_way_of_taking_it_back_is_named_and_there_is_no_button(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    store.end_batch(batch_id, brewery.NOW - timedelta(hours=1))
    brewery.add_batch(store, brewery.harbour_pale("Quay Stout", "heron", "FV2"))
    address = f"/batches/{batch_id}/reopen"

    looked, sent = client.get(address), client.post(address, headers=OURS)

    assert (looked.status_code, sent.status_code) == (200, 422)
    for page in (looked.text, sent.text):
        said = "It cannot be reopened: its float heron is in the active batch 'Quay Stout' since, and what it measured"
        assert said in text(page)
        assert "<button" not in page
    assert store.batch(batch_id).ended is not None


def test_a_database_that_is_busy_is_said_so(
    client: TestClient, store: Store, batch_id: BatchId, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*_: object, **__: object) -> None:
        raise StorageError("the database is locked", retry=True)

    monkeypatch.setattr(Store, "end_batch", busy)
    typed = {"time": "2026-03-08T10:15"}
    ended = client.post(f"/batches/{batch_id}/end", data=typed, headers=OURS)
    monkeypatch.undo()
    store.end_batch(batch_id, brewery.NOW)
    monkeypatch.setattr(Store, "reopen_batch", busy)
    reopened = client.post(f"/batches/{batch_id}/reopen", headers=OURS)

    assert (ended.status_code, reopened.status_code) == (503, 503)
    assert "The batch has not ended: the database is locked." in text(ended.text)
    assert 'value="2026-03-08T10:15"' in ended.text
    assert "The batch is not reopened: the database is locked." in text(reopened.text)


@pytest.mark.parametrize("action", ["end", "reopen"])
def test_a_form_from_elsewhere_is_refused(client: TestClient, store: Store, batch_id: BatchId, action: str) -> None:
    if action == "reopen":
        store.end_batch(batch_id, brewery.NOW)
    before = store.batch(batch_id)

    answer = client.post(f"/batches/{batch_id}/{action}", data={}, headers={"Origin": "http://elsewhere.example"})

    assert answer.status_code == 403
    assert store.batch(batch_id) == before
    assert client.get(f"/batches/nowhere/{action}").status_code == 404
