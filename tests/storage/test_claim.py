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
from tests.storage.examples import reading

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
        end()
        other.claim()()

    assert told.value.retry
    assert len(store.readings(FloatId("heron"))) == 1


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
