"""What merely looks finished is not called so: a person would bottle it."""

from __future__ import annotations

from datetime import timedelta

from fastapi.testclient import TestClient

from alerts.conditions import Streak
from alerts.engine import AlertState
from alerts.fermentation_memory import FermentationMemory
from alerts.rules import Memory
from alerts.settings import AlertSettings
from alerts.thresholds import Finished
from alerts.witness import Witness
from fermentation import smooth
from fermentation.estimate import Phase
from gylewatch.pipeline import State, encode_state
from gylewatch.values import BatchId
from storage.store import Store
from tests.web import brewery
from tests.web.test_pages import text
from web.app import create_app
from web.settings import HttpSettings

HOUR = 119.0


def rests(
    store: Store,
    batch_id: BatchId,
    *,
    still_h: float,
    seen_points: float,
    attenuated_h: float | None = None,
    phase: Phase = Phase.FINISHED,
) -> None:
    """The store after an estimate of that phase, the gravity still for so long and seen to fall by so much.

    attenuated_h : for so long it is probably far enough down, and perhaps for all the time; not given: for all the time
    """
    now = brewery.PITCHED + timedelta(hours=HOUR)
    since = Streak(since=now - timedelta(hours=still_h), count=40)
    memory = FermentationMemory(
        still=since,
        attenuated=since if attenuated_h is None else Streak(since=now - timedelta(hours=attenuated_h), count=9),
        perhaps_attenuated=since,
        witness=Witness(seen_points=seen_points),
    )
    batch = store.batch(batch_id).batch
    state = State(belief=smooth.start(batch), alerts=AlertState(memory=Memory(fermentation=memory)))
    resting = brewery.estimate(HOUR, phase=phase, rate_points_per_day=0.1)
    store.save_outcomes(batch_id, estimates=[resting], state=encode_state(state), cursor=1, sample_cursor=0)


def lead(client: TestClient, batch_id: BatchId) -> str:
    return text(client.get(f"/batches/{batch_id}").text).split("Alerts")[0]


def test_what_looks_finished_is_at_rest_and_says_what_the_verdict_lacks(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    rests(store, batch_id, still_h=3.0, seen_points=40.0)

    page, board = lead(client, batch_id), text(client.get("/").text)

    assert "at rest It looks finished, but that is not told yet" in page
    assert "it has been steady for 3 hours, and is watched for" in page
    assert "at rest" in board
    assert "not told yet" in board
    assert "finished" not in board.replace("looks finished", "")


def test_of_two_waits_the_one_that_ends_sooner_is_told(client: TestClient, store: Store, batch_id: BatchId) -> None:
    rests(store, batch_id, still_h=10.0, seen_points=40.0, attenuated_h=0.1)

    assert "it has been steady for 10 hours, and is watched for 2 more" in lead(client, batch_id)


def test_a_float_that_nobody_saw_fall_is_named(client: TestClient, store: Store, batch_id: BatchId) -> None:
    rests(store, batch_id, still_h=200.0, seen_points=2.0, phase=Phase.CONDITIONING)

    page = lead(client, batch_id)

    assert "float heron has itself shown 2 of" in page
    assert "Two hand samples that agree" in page
    assert "conditioning" not in page


def test_once_it_is_told_it_is_finished(client: TestClient, store: Store, batch_id: BatchId) -> None:
    rests(store, batch_id, still_h=200.0, seen_points=40.0)
    store.save_outcomes(batch_id, alerts=[brewery.finished()])

    assert "finished Finished, as far as the numbers tell" in lead(client, batch_id)
    assert "reached" in text(client.get("/").text)


def test_nobody_waits_for_a_verdict_that_is_switched_off(store: Store, batch_id: BatchId) -> None:
    rests(store, batch_id, still_h=3.0, seen_points=40.0)
    off = AlertSettings(fermentation_finished=Finished(enabled=False))
    client = TestClient(
        create_app(
            store,
            clock=lambda: brewery.NOW,
            ingest=None,
            settings=HttpSettings(token=brewery.TOKEN),
            health=brewery.all_is_well,
            alerts=off,
        )
    )

    assert "finished Finished, as far as the numbers tell" in lead(client, batch_id)


def test_while_the_batch_is_read_again_no_reason_is_given(client: TestClient, store: Store, batch_id: BatchId) -> None:
    resting = brewery.estimate(HOUR, phase=Phase.FINISHED)
    store.save_outcomes(batch_id, estimates=[resting], state=b"of another version", cursor=1, sample_cursor=0)

    assert "It looks finished, but that is not told yet." in lead(client, batch_id)
