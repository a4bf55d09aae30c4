from __future__ import annotations

from datetime import timedelta

import pytest
from fastapi.testclient import TestClient

from gylewatch.values import BatchId
from storage.records import AlertRecord
from storage.store import Store
from tests.web import brewery
from tests.web.test_pages import OURS, text
from web import board


@pytest.fixture
def warm(store: Store, batch_id: BatchId) -> AlertRecord:
    """The open alert about the temperature."""
    return next(record for record in store.open_alerts(batch_id) if record.alert == brewery.too_warm())


def act(client: TestClient, alert: AlertRecord, **typed: str) -> str:
    answer = client.post(f"/batches/{alert.batch_id}/alerts/{alert.id}", data=typed, headers=OURS)
    assert answer.status_code == 200, answer.text
    return text(answer.text)


def stored(store: Store, alert: AlertRecord) -> AlertRecord:
    return next(record for record in store.alerts(alert.batch_id) if record.id == alert.id)


@pytest.mark.parametrize(("typed", "kept"), [(" Ada  Lark ", "Ada Lark"), ("", "someone at the page")])
def test_an_alert_that_was_seen_says_by_whom(
    client: TestClient, store: Store, warm: AlertRecord, typed: str, kept: str
) -> None:
    page = act(client, warm, action="acknowledge", who=typed)

    assert f"seen by {kept}" in page
    assert (stored(store, warm).acknowledged_by, stored(store, warm).acknowledged_at) == (kept, brewery.NOW)


def test_an_alert_sleeps_for_the_hours_chosen_and_can_be_woken(
    client: TestClient, store: Store, warm: AlertRecord
) -> None:
    page = act(client, warm, action="snooze", hours="12")
    assert "asleep until 9 Mar 2026, 06:30 UTC" in page
    assert stored(store, warm).snoozed_until == brewery.NOW + timedelta(hours=12)

    act(client, warm, action="wake")

    assert stored(store, warm).snoozed_until is None


def test_an_alert_that_is_put_to_sleep_after_it_was_seen_waits_for_a_person_again(
    client: TestClient, store: Store, warm: AlertRecord
) -> None:
    act(client, warm, action="acknowledge", who="Ada")
    assert stored(store, warm).is_seen

    act(client, warm, action="snooze", hours="4")

    record = stored(store, warm)
    assert not record.is_seen
    assert not board.is_waiting(record, brewery.NOW)
    assert board.is_waiting(record, brewery.NOW + timedelta(hours=4))


def test_an_alert_that_was_seen_or_sleeps_no_longer_asks_for_a_person_on_the_board(
    client: TestClient, warm: AlertRecord
) -> None:
    assert "1 of them needs a person" in text(client.get("/").text)

    act(client, warm, action="snooze", hours="4")

    page = text(client.get("/").text)
    assert "needs a person" not in page.replace("only those that need a person", "")
    act(client, warm, action="wake")
    act(client, warm, action="acknowledge", who="Ada")
    assert "1 of them" not in text(client.get("/").text)


@pytest.mark.parametrize(
    ("typed", "status"),
    [({"action": "snooze", "hours": "9999"}, 422), ({"action": "burn"}, 400), ({"who": "Ada"}, 400)],
)
def test_what_the_page_does_not_offer_is_refused(
    client: TestClient, warm: AlertRecord, typed: dict[str, str], status: int
) -> None:
    place = f"/batches/{warm.batch_id}/alerts/{warm.id}"

    assert client.post(place, data=typed, headers=OURS).status_code == status


def test_an_alert_that_is_over_cannot_be_seen_any_more(client: TestClient, batch_id: BatchId) -> None:
    answer = client.post(f"/batches/{batch_id}/alerts/9999", data={"action": "acknowledge"}, headers=OURS)

    assert answer.status_code == 409
    assert "This alert is over" in text(answer.text)


def test_a_form_from_elsewhere_is_refused(client: TestClient, store: Store, warm: AlertRecord) -> None:
    answer = client.post(
        f"/batches/{warm.batch_id}/alerts/{warm.id}",
        data={"action": "acknowledge"},
        headers={"Origin": "http://elsewhere.example"},
    )

    assert answer.status_code == 403
    assert stored(store, warm).acknowledged_at is None
