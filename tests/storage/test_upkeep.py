from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event

from gylewatch.errors import StorageError
from gylewatch.values import FloatId
from storage.store import Store
from storage.upkeep import PRUNED_AT_ONCE
from tests.postgres import PostgresServer
from tests.storage.examples import at, batch, float_record, reading

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
