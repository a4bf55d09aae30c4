from __future__ import annotations

import re

import pytest
from fastapi.testclient import TestClient

from fermentation.estimate import Phase
from gylewatch.values import BatchId
from storage.store import Store
from tests.web import brewery
from tests.web.test_pages import text


def test_the_ledger_counts_the_beer_and_says_whether_a_sample_is_worth_it(
    client: TestClient, batch_id: BatchId
) -> None:
    page = text(client.get(f"/batches/{batch_id}/ledger").text)

    # One jar of 175 ml out of 21 l, against four full days of 118 hours at a jar a day.
    assert "Drawn in all175 ml0.8 % of 21 l" in page
    assert "Saved525 mlagainst one jar a day over 4 full days, 700 ml" in page
    assert "hydrometer1175.0" in page
    assert "For the estimate alone no sample is worth its beer now" in page
    assert "all the same" not in page
    assert "Never pour a sample back" in page


@pytest.mark.parametrize(
    ("phase", "needed"),
    [
        (Phase.FINISHED, "Before you package take hand readings all the same, two to three days apart."),
        (Phase.CONDITIONING, "Before you package take hand readings all the same, two to three days apart."),
        (Phase.STALLED, "One is needed all the same, to tell a beer that has stopped from a float that sticks."),
    ],
)
def test_a_sample_that_an_alert_asks_for_is_never_called_a_waste(
    client: TestClient, store: Store, batch_id: BatchId, phase: Phase, needed: str
) -> None:
    store.save_outcomes(batch_id, estimates=[brewery.estimate(119.0, phase=phase)], alerts=[])

    page = text(client.get(f"/batches/{batch_id}/ledger").text)

    assert "For the estimate alone no sample is worth its beer now" in page
    assert needed in page


def test_an_own_jar_is_reckoned_with(client: TestClient, batch_id: BatchId) -> None:
    page = text(client.get(f"/batches/{batch_id}/ledger?jar_ml=100").text)

    assert "Drawn in all100 ml" in page
    assert "Reckoned with 100 ml" in page


def test_a_decimal_comma_in_the_jar_is_shown_as_a_point(client: TestClient, batch_id: BatchId) -> None:
    answer = client.get(f"/batches/{batch_id}/ledger", params={"jar_ml": "87,5"})

    assert "Reckoned with 87.5 ml" in text(answer.text)
    assert 'value="87.5"' in answer.text


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ("1,000", "Did you mean 1000 or 1?"),
        ("a cup", "'a cup' is not a plain number."),
        ("0", "0 ml is outside 1 to 1000 ml."),
        ("5000", "5000 ml is outside 1 to 1000 ml."),
    ],
)
def test_a_jar_that_cannot_be_is_asked_about_and_what_was_typed_stays(
    client: TestClient, batch_id: BatchId, typed: str, sentence: str
) -> None:
    answer = client.get(f"/batches/{batch_id}/ledger", params={"jar_ml": typed})

    assert answer.status_code == 422
    assert sentence in text(answer.text)
    assert f'value="{typed}"' in answer.text
    assert "Reckoned with 175 ml" in text(answer.text)


def test_the_field_takes_no_more_than_its_page_reads(client: TestClient, batch_id: BatchId) -> None:
    field = re.search(r'<input id="jar_ml"[^>]*maxlength="(\d+)"', client.get(f"/batches/{batch_id}/ledger").text)
    assert field is not None

    answer = client.get(f"/batches/{batch_id}/ledger", params={"jar_ml": "1" * int(field[1])})

    assert "is outside 1 to 1000 ml." in text(answer.text)


def test_a_batch_without_samples_or_estimate_has_a_ledger_all_the_same(client: TestClient, store: Store) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())

    page = text(client.get(f"/batches/{batch_id}/ledger").text)

    assert "there is nothing to say about a further sample" in page
    assert "No sample has been drawn from this batch yet." in page


def test_the_page_of_a_batch_leads_to_its_ledger(client: TestClient, batch_id: BatchId) -> None:
    assert f'href="/batches/{batch_id}/ledger"' in client.get(f"/batches/{batch_id}").text


def test_of_a_beer_that_is_over_there_is_no_later_moment(client: TestClient, store: Store) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())
    store.save_outcomes(batch_id, estimates=[brewery.estimate(60.0)])
    assert "at the end" in text(client.get(f"/batches/{batch_id}/ledger").text).lower()

    store.save_outcomes(batch_id, estimates=[brewery.estimate(140.0, phase=Phase.FINISHED, gravity_low_sg=1.009)])

    assert "at the end" not in text(client.get(f"/batches/{batch_id}/ledger").text).lower()
    assert "None yet. A sample is worth most now" in text(client.get(f"/batches/{batch_id}").text)
