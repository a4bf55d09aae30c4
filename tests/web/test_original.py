"""Declared and estimated original gravity beside each other."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from fastapi.testclient import TestClient

from gylewatch.values import Addition
from storage.store import Store
from tests.web import brewery
from tests.web.test_pages import text
from web.original import original_doubt, original_note

BATCH = brewery.harbour_pale()  # declared 1.0520
LATE = brewery.estimate(118.0)  # the gravity is known to 0.0009


def sugar(points: float | None, hours: float = 50.0) -> Addition:
    return Addition(time=brewery.PITCHED + timedelta(hours=hours), label="candy sugar", gravity_points=points)


@pytest.mark.parametrize(("estimated_sg", "words"), [(1.0495, "2.5 points lower"), (1.0540, "2.0 points higher")])
def test_a_difference_beyond_the_uncertainty_is_told_with_both_values(estimated_sg: float, words: str) -> None:
    sentence = original_doubt(BATCH, replace(LATE, original_gravity_sg=estimated_sg))

    assert f"declared as 1.0520; by the float it was {estimated_sg:.4f}, {words}" in sentence
    assert "(± 0.9 points)" in sentence


@pytest.mark.parametrize("estimated_sg", [1.0512, 1.0520, 1.0528])
def test_a_difference_within_the_uncertainty_is_no_news(estimated_sg: float) -> None:
    assert original_doubt(BATCH, replace(LATE, original_gravity_sg=estimated_sg)) == ""


def test_nothing_is_compared_where_nothing_was_declared() -> None:
    assert original_doubt(replace(BATCH, original_gravity_sg=None), LATE) == ""


def test_sugar_added_until_then_counts_as_declared() -> None:
    sweetened = replace(BATCH, additions=(sugar(6.0), sugar(3.0, hours=200.0)))

    assert original_doubt(sweetened, replace(LATE, original_gravity_sg=1.0580)) == ""
    assert "declared as 1.0580 with what was added" in original_doubt(sweetened, LATE)


def test_an_addition_of_unknown_strength_leaves_nothing_to_compare() -> None:
    assert original_doubt(replace(BATCH, additions=(sugar(None),)), replace(LATE, original_gravity_sg=1.06)) == ""


def test_the_page_shows_both_and_only_where_they_differ(client: TestClient, store: Store) -> None:
    batch_id = brewery.fill(store)
    assert "declared" not in text(client.get(f"/batches/{batch_id}").text)

    store.save_outcomes(batch_id, estimates=[brewery.estimate(119.0, original_gravity_sg=1.0490)])

    page = text(client.get(f"/batches/{batch_id}").text)
    assert "Original gravity1.0490 estimated; declared 1.0520" in page
    assert "3.0 points lower" in page


def test_what_was_added_is_said_to_be_in_the_original_gravity() -> None:
    sweetened, late = replace(BATCH, additions=(sugar(6.0),)), replace(LATE, original_gravity_sg=1.0580)
    unknown = replace(BATCH, original_gravity_sg=None, additions=(sugar(6.0),))

    assert original_note(sweetened, late) == "with what was added; declared 1.0520 without it"
    assert original_note(sweetened, LATE) == "estimated, with what was added; declared 1.0520 without it"
    assert original_note(replace(BATCH, additions=(sugar(None),)), late).startswith("with what was added; declared")
    assert original_note(unknown, late) == "with what was added"
    assert original_note(replace(BATCH, additions=(sugar(6.0, hours=200.0),)), LATE) == ""
    assert original_note(BATCH, LATE) == ""


def test_the_page_says_that_an_addition_is_in_it(client: TestClient, store: Store) -> None:
    batch_id = brewery.fill(store)
    before = store.batch(batch_id)
    store.replace_batch(before, replace(before.batch, additions=(sugar(6.0),)))
    store.save_outcomes(batch_id, estimates=[brewery.estimate(119.0, original_gravity_sg=1.0580)])

    page = text(client.get(f"/batches/{batch_id}").text)

    assert "Original gravity1.0580 with what was added; declared 1.0520 without it" in page
