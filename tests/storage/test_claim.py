"""One service for one database."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from gylewatch.errors import StorageError
from gylewatch.values import FloatId
from storage.store import Store
from tests.eventually import eventually
from tests.postgres import PostgresServer
from tests.storage.examples import float_record, reading

CLAIMS_UNTIL_KILLED = """
import sys
from storage.store import Store

store = Store.open(sys.argv[1])
end = store.claim()
print("claimed", flush=True)
sys.stdin.read()
"""


def test_a_second_service_is_refused_until_the_first_gives_up_and_others_may_write_meanwhile(
    store: Store, store_url: str
) -> None:
    with Store.open(store_url) as other:
        end = store.claim()
        with pytest.raises(StorageError, match=r"another gylewatch service.* works on it already; stop") as told:
            other.claim()
        other.append_readings([reading(0)])
        store.append_readings([reading(1)])
        end()
        other.claim()()

    assert told.value.retry
    assert len(store.readings(FloatId("heron"))) == 2


def test_a_service_that_is_killed_claims_nothing_any_more(store: Store, store_url: str) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", CLAIMS_UNTIL_KILLED, store_url], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as first:
        assert first.stdout is not None
        assert first.stdout.readline() == b"claimed\n"
        with pytest.raises(StorageError):
            store.claim()
        first.send_signal(signal.SIGKILL)
        first.wait(10)

    eventually("it is free", lambda: is_free(store))  # a server notices the end a moment later


def is_free(store: Store) -> bool:
    try:
        store.claim()()
    except StorageError:
        return False
    return True


def test_the_message_names_the_process_that_works_on_a_file_under_whatever_name(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(tmp_path / "beer.sqlite")
    with Store.open(f"sqlite:///{tmp_path}/beer.sqlite") as one, Store.open(f"sqlite:///{tmp_path}/link") as two:
        end = one.claim()
        with pytest.raises(StorageError) as told:
            two.claim()
        end()

    assert f"(process {os.getpid()})" in str(told.value)


def test_a_database_in_memory_is_nobody_elses() -> None:
    with Store.open("sqlite:///:memory:") as store:
        store.claim()()


def restart(server: PostgresServer) -> None:
    server.stop()
    server.start()


def test_a_server_that_was_restarted_is_claimed_again_with_the_next_write(postgres_server: PostgresServer) -> None:
    url = postgres_server.new_database()
    with Store.open(url) as store, Store.open(url) as other:
        end = store.claim()

        restart(postgres_server)
        store.add_float(float_record("heron"))

        assert not is_free(other)
        end()
        assert is_free(other)


def test_a_service_that_lost_its_claim_to_another_writes_nothing_until_that_one_ends(
    postgres_server: PostgresServer,
) -> None:
    url = postgres_server.new_database()
    with Store.open(url) as store, Store.open(url) as other:
        store.add_float(float_record("heron"))
        store.claim()
        restart(postgres_server)
        end = other.claim()

        for _ in range(2):
            with pytest.raises(StorageError, match="another gylewatch service works on it already; stop that") as told:
                store.append_readings([reading(0)])
        end()

        assert told.value.retry
        assert store.append_readings([reading(0)]) == 1
        assert not is_free(other)


def test_who_is_alone_ends_its_claim_without_a_word_though_the_server_was_restarted(
    postgres_server: PostgresServer,
) -> None:
    with Store.open(postgres_server.new_database()) as store:
        end = store.claim()
        restart(postgres_server)

        end()

        assert is_free(store)


def test_a_claim_whose_server_is_away_is_a_server_that_is_away(postgres_server: PostgresServer) -> None:
    with Store.open(postgres_server.new_database()) as store:
        store.add_float(float_record("heron"))
        store.claim()
        postgres_server.stop()
        with pytest.raises(StorageError, match="the server cannot be reached"):
            store.append_readings([reading(0)])
        postgres_server.start()

        assert store.append_readings([reading(0)]) == 1
