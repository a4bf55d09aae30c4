"""Several threads, several programs, and a program that is killed."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from gylewatch.errors import StorageError
from gylewatch.values import FloatId
from storage.database import Database
from storage.store import Store
from tests.storage.examples import at, float_record, reading, rejected

HERON = FloatId("heron")
WRITERS = 4
BATCHES_EACH = 25

APPENDS_FOR_EVER = """
import sys
from storage.store import Store
from tests.storage.examples import float_record, reading

store = Store.open(sys.argv[1])
store.add_float(float_record("heron"))
minutes = 0
while True:
    store.append_readings([reading(minutes + step) for step in range(10)])
    minutes += 10
    print(minutes, flush=True)
"""


def test_threads_append_and_read_at_once_and_nothing_is_lost_or_seen_half(store: Store) -> None:
    done = threading.Event()

    def write(writer: int) -> int:
        return sum(
            store.append_readings([reading(writer * 10_000 + number * 10 + step) for step in range(10)])
            for number in range(BATCHES_EACH)
        )

    def watch() -> set[int]:
        seen = set()
        while not done.is_set():
            seen.add(len(store.readings(HERON)) % 10)
        return seen

    with ThreadPoolExecutor(WRITERS + 2) as pool:
        watchers = [pool.submit(watch) for _ in range(2)]
        try:
            new = sum(pool.map(write, range(WRITERS)))
        finally:
            done.set()

    assert new == WRITERS * BATCHES_EACH * 10
    assert len(store.readings(HERON)) == new
    assert [watcher.result() for watcher in watchers] == [{0}, {0}]


def test_a_reader_with_a_cursor_sees_every_reading_once_while_two_programs_write(store_url: str) -> None:
    done = threading.Event()
    with Store.open(store_url) as store, Store.open(store_url) as other:
        store.add_float(float_record("heron"))

        def write(writer: Store, start: int) -> None:
            for number in range(20):
                writer.append_readings([reading(start + number * 3 + step) for step in range(3)])

        def follow() -> list[int]:
            ids: list[int] = []
            while True:
                last_round = done.is_set()
                page = store.readings_after(HERON, ids[-1] if ids else 0, 50)
                ids += [row_id for row_id, _ in page]
                if last_round and not page:
                    return ids

        with ThreadPoolExecutor(3) as pool:
            follower = pool.submit(follow)
            try:
                for writing in [pool.submit(write, store, 0), pool.submit(write, other, 1000)]:
                    writing.result()
            finally:
                done.set()

        assert len(follower.result()) == len(set(follower.result())) == 120


def test_what_was_appended_is_there_after_the_program_is_killed(tmp_path: Path) -> None:
    path = tmp_path / "gylewatch.db"
    writer = subprocess.Popen(
        [sys.executable, "-c", APPENDS_FOR_EVER, f"sqlite:///{path}"], stdout=subprocess.PIPE, text=True
    )
    assert writer.stdout is not None

    told = [writer.stdout.readline() for _ in range(40)]
    writer.send_signal(signal.SIGKILL)
    told += writer.stdout.readlines()
    assert writer.wait() == -signal.SIGKILL

    promised = int([line for line in told if line.endswith("\n")][-1])
    assert promised >= 400
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    with Store.open(f"sqlite:///{path}", create=False) as store:
        kept = store.readings(HERON)
        assert kept[:promised] == tuple(reading(minutes) for minutes in range(promised))
        assert len(kept) % 10 == 0


def test_a_file_is_written_through_to_the_disk_and_checks_its_keys(tmp_path: Path) -> None:
    database = Database(f"sqlite:///{tmp_path / 'gylewatch.db'}", lock_timeout_s=1)

    with database.reading() as connection:
        settings = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys")
        }
    database.close()

    assert settings == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1}  # 2 is FULL


def test_another_program_that_keeps_the_lock_is_named_and_waiting_helps(tmp_path: Path) -> None:
    path = tmp_path / "gylewatch.db"
    with Store.open(f"sqlite:///{path}", lock_timeout_s=0.1) as store:
        store.add_float(float_record("heron"))
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")

        with pytest.raises(StorageError, match="another program is writing to it; close that program") as failure:
            store.append_readings([reading(0)])
        assert failure.value.retry
        assert store.readings(HERON) == ()
        other.execute("ROLLBACK")
        other.close()

        assert store.append_readings([reading(0)]) == 1


def test_a_store_in_memory_serves_several_threads(tmp_path: Path) -> None:
    with Store.open("sqlite://") as store, ThreadPoolExecutor(4) as pool:
        store.add_float(float_record("heron"))

        list(pool.map(lambda minutes: store.append_readings([reading(minutes)]), range(40)))
        list(pool.map(lambda _: store.append_rejected([rejected()]), range(40)))

        assert [item.time for item in store.readings(HERON)] == [at(minutes) for minutes in range(40)]
        assert store.rejected_counts() == {"out-of-range": 40}


@pytest.mark.parametrize("replaced", [False, True])
def test_a_file_deleted_or_replaced_while_in_use_takes_nothing_more(tmp_path: Path, replaced: bool) -> None:
    path = tmp_path / "gylewatch.db"
    with Store.open(f"sqlite:///{path}") as store:
        store.add_float(float_record("heron"))
        path.unlink()
        if replaced:
            path.touch()

        with pytest.raises(StorageError, match="deleted or replaced") as refused:
            store.append_readings([reading(0)])

    assert not refused.value.retry
    assert path.exists() is replaced


def test_a_file_deleted_during_a_transaction_commits_nothing(tmp_path: Path) -> None:
    path = tmp_path / "gylewatch.db"
    with Store.open(f"sqlite:///{path}"):
        pass
    database = Database(f"sqlite:///{path}", lock_timeout_s=1.0)

    with pytest.raises(StorageError, match="deleted or replaced"), database.writing():
        path.unlink()

    database.close()
