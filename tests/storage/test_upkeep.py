from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event

from gylewatch.errors import StorageError
from gylewatch.values import BatchId, FloatId
from storage.store import Store
from storage.upkeep import PRUNED_AT_ONCE
from tests.postgres import PostgresServer
from tests.storage.examples import at, batch, estimate, float_record, reading, sample

HERON = FloatId("heron")


@pytest.fixture
def file_store(tmp_path: Path) -> Store:
    store = Store.open(f"sqlite:///{tmp_path / 'gylewatch.db'}")
    store.add_float(float_record("heron"))
    store.append_readings([reading(minutes) for minutes in range(100)])
    return store


def test_a_backup_taken_while_the_store_is_open_is_a_whole_database(file_store: Store, tmp_path: Path) -> None:
    copy = tmp_path / "backup.db"

    file_store.backup(copy)
    file_store.append_readings([reading(500)])
    file_store.close()

    assert sorted(path.name for path in tmp_path.iterdir()) == ["backup.db", "gylewatch.db"]
    with Store.open(f"sqlite:///{copy}", create=False) as restored:
        assert restored.readings(HERON) == tuple(reading(minutes) for minutes in range(100))


def test_a_backup_replaces_the_one_before(file_store: Store, tmp_path: Path) -> None:
    copy = tmp_path / "backup.db"
    file_store.backup(copy)

    file_store.append_readings([reading(500)])
    file_store.backup(copy)

    with sqlite3.connect(copy) as connection:
        assert connection.execute("SELECT count(*) FROM readings").fetchone() == (101,)


def test_a_backup_to_a_missing_folder_leaves_nothing_and_says_so(file_store: Store, tmp_path: Path) -> None:
    with pytest.raises(StorageError, match=r"backup of .*gylewatch\.db.*away does not exist; create it") as failure:
        file_store.backup(tmp_path / "away" / "backup.db")

    assert not failure.value.retry
    assert not (tmp_path / "away").exists()


def test_a_backup_onto_the_database_itself_is_refused(file_store: Store, tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="this is the database itself"):
        file_store.backup(tmp_path / "gylewatch.db")

    assert len(file_store.readings(HERON)) == 100


def test_a_server_is_backed_up_with_its_own_tools(postgres_server: PostgresServer, tmp_path: Path) -> None:
    with (
        Store.open(postgres_server.new_database()) as store,
        pytest.raises(StorageError, match="use the database server's own backup tools"),
    ):
        store.backup(tmp_path / "backup.db")


def test_old_readings_go_but_not_those_of_an_active_batch(store: Store) -> None:
    ended = store.add_batch(batch("Harbour Pale"), created=at(0))
    store.end_batch(ended.batch_id, at(100))
    store.add_batch(batch("Quay Stout", pitched=at(200)), created=at(200))
    old_and_ended = [reading(minutes) for minutes in (0, 50, 150)]
    old_but_active = [reading(minutes) for minutes in (200, 250)]
    new = [reading(900)]
    store.append_readings([*old_and_ended, *old_but_active, *new, reading(230, name="wren")])

    gone = store.prune(at(500))

    assert gone == 4
    assert store.readings(HERON) == (*old_but_active, *new)
    assert store.readings(FloatId("wren")) == ()


def test_old_readings_are_found_by_index_and_deleted_a_few_thousand_at_a_time(file_store: Store) -> None:
    """All at once, with every batch looked at for each, half a million kept everybody waiting for minutes."""
    asked: list[tuple[str, Any]] = []
    file_store.append_readings([reading(minutes) for minutes in range(100, PRUNED_AT_ONCE + 50)])
    event.listen(Engine, "before_cursor_execute", take := lambda *about: asked.append(about[2:4]))

    gone = file_store.prune(at(PRUNED_AT_ONCE + 10))

    event.remove(Engine, "before_cursor_execute", take)
    deletions = [about for about in asked if about[0].startswith("DELETE FROM readings")]
    with closing(sqlite3.connect(file_store.place)) as connection:
        explained = [connection.execute(f"EXPLAIN QUERY PLAN {query}", values) for query, values in deletions]
        plan = {step[3] for steps in explained for step in steps}
    assert gone == PRUNED_AT_ONCE + 10
    assert len(deletions) == 2
    assert not any(step.startswith("SCAN") for step in plan), plan
    assert not any("batches" in step for step in plan), plan
    file_store.close()


def test_a_cursor_past_pruned_readings_does_not_miss_the_next_one(store: Store) -> None:
    store.append_readings([reading(0), reading(1)])
    cursor = store.readings_after(HERON, 0, 10)[-1][0]

    store.prune(at(100))
    store.append_readings([reading(2)])

    assert [item for _, item in store.readings_after(HERON, cursor, 10)] == [reading(2)]


EVERY_15 = [15.0 * each for each in range(1, 17)]  # from 18:45 to 22:30
ONE_AN_HOUR = [15.0, 75.0, 135.0, 195.0, 240.0]  # the first; the last of 19, 20 and 21 o'clock; the last


def judged(store: Store, name: str, ended: float | None, *, state: bytes | None = b"state") -> BatchId:
    """A batch with an estimate every 15 minutes, read to its end unless it has no state."""
    batch_id = store.add_batch(batch(name), created=at(0)).batch_id
    estimates = [estimate(minutes) for minutes in EVERY_15]
    store.save_outcomes(batch_id, estimates=estimates, state=state, cursor=None if state is None else 9)
    if ended is not None:
        store.end_batch(batch_id, at(ended))
    return batch_id


def minutes_of(store: Store, batch_id: BatchId) -> list[float]:
    return [(each.time - at(0)).total_seconds() / 60 for each in store.estimates(batch_id)]


@pytest.mark.parametrize("at_once", [2, 3, 5000])
def test_of_an_ended_batch_one_estimate_an_hour_stays_whole(
    store: Store, at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("storage.upkeep.THINNED_AT_ONCE", at_once)
    batch_id = judged(store, "Harbour Pale", 300)
    before = {each.time: each for each in store.estimates(batch_id)}

    gone = store.thin_estimates(at(301))

    assert gone == 11
    assert minutes_of(store, batch_id) == [15, 75, 135, 195, 240]
    assert all(before[each.time] == each for each in store.estimates(batch_id))


def test_the_estimates_that_samples_led_to_stay_and_the_first_that_a_reading_did(store: Store) -> None:
    """By that one it is told whether the batch could be read again: `storage.reopening`."""
    batch_id = judged(store, "Harbour Pale", 300)
    for minutes in (5, 100):
        store.add_sample(batch_id, sample(minutes))
        store.save_outcomes(batch_id, estimates=[estimate(minutes)])

    store.thin_estimates(at(301))

    assert minutes_of(store, batch_id) == sorted([*ONE_AN_HOUR, 5, 100])


def test_only_batches_that_ended_before_and_are_not_being_read_again_are_thinned(store: Store) -> None:
    lately = judged(store, "Lately Ended", 300)
    read_again = judged(store, "Read Again", 200, state=None)
    active = judged(store, "Still Active", None)

    assert store.thin_estimates(at(300)) == 0
    assert [minutes_of(store, each) for each in (lately, read_again, active)] == [EVERY_15] * 3


def test_a_batch_that_is_thinned_is_not_looked_at_again_until_it_was_read_again(store: Store) -> None:
    batch_id = judged(store, "Harbour Pale", 300)
    store.thin_estimates(at(301))
    asked: list[str] = []
    event.listen(Engine, "before_cursor_execute", take := lambda *about: asked.append(about[2]))

    again = store.thin_estimates(at(301))

    event.remove(Engine, "before_cursor_execute", take)
    assert again == 0
    assert not any("estimates" in statement for statement in asked), asked
    store.append_readings([reading(minutes) for minutes in EVERY_15])
    store.reopen_batch(batch_id, at(400))
    store.save_outcomes(batch_id, estimates=[estimate(minutes) for minutes in EVERY_15], state=b"state", cursor=9)
    store.end_batch(batch_id, at(300))
    assert store.thin_estimates(at(301)) == 11


def test_thinning_that_is_broken_off_goes_on_another_night_from_there(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("storage.upkeep.THINNED_AT_ONCE", 4)
    batch_id = judged(store, "Harbour Pale", 300)

    first = store.thin_estimates(at(301), rest=lambda: True)
    second = store.thin_estimates(at(301))

    assert (first, second) == (2, 9)
    assert minutes_of(store, batch_id) == ONE_AN_HOUR


def test_pruning_that_is_broken_off_leaves_the_rest(store: Store) -> None:
    store.append_readings([reading(0), reading(1, name="wren")])

    gone = store.prune(at(100), rest=lambda: True)

    assert gone == 1
    assert len(store.readings(HERON)) + len(store.readings(FloatId("wren"))) == 1


def test_a_batch_that_is_reopened_between_two_pieces_is_left_alone(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("storage.upkeep.THINNED_AT_ONCE", 6)
    batch_id = judged(store, "Harbour Pale", 300)
    store.append_readings([reading(minutes) for minutes in EVERY_15])

    def reopened() -> bool:
        store.reopen_batch(batch_id, at(400))
        store.save_outcomes(batch_id, estimates=[estimate(minutes) for minutes in EVERY_15])
        return False

    store.thin_estimates(at(301), rest=reopened)

    assert minutes_of(store, batch_id) == EVERY_15
