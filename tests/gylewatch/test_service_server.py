"""A database server that goes and comes while the service runs: nothing is lost or counted twice, and it is told."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from gylewatch import cli
from gylewatch.errors import StorageError
from gylewatch.service import Service
from gylewatch.values import FloatId
from storage.store import Store
from tests.broker import Broker
from tests.eventually import eventually
from tests.gylewatch.brew import PITCHED, pale_readings
from tests.gylewatch.live import BATCH, furnish, publish, request, running, settings
from tests.postgres import PostgresServer, postgres_server

__all__ = ["postgres_server"]  # pytest finds fixtures by name in this module

HERON = FloatId("heron")
READINGS = pale_readings(200)


@pytest.fixture
def server(postgres_server: PostgresServer) -> Iterator[PostgresServer]:
    """Running at the end, whatever a test did to it."""
    yield postgres_server
    postgres_server.stop()
    postgres_server.start()


def test_a_server_that_is_away_for_a_while_is_told_and_nothing_is_lost(
    tmp_path: Path, broker: Broker, server: PostgresServer, capfd: pytest.CaptureFixture[str]
) -> None:
    url = furnish(tmp_path, PITCHED, server=server.new_database())
    with running(settings(url, broker.port), READINGS[-1].time) as service, Store.open(url) as store:
        publish(broker.port, READINGS[:80])
        eventually("some are concluded", lambda: service.concluded_until(HERON) == READINGS[79].time, 60)

        server.stop()
        publish(broker.port, READINGS[80:140])
        eventually("it says so", lambda: "the server cannot be reached" in str(service.health().problems), 30)
        status, page = request(service, "GET", "/")
        server.start()
        publish(broker.port, READINGS[140:])

        eventually("all are concluded", lambda: len(store.estimates(BATCH)) == len(READINGS), 60)
        eventually("all is well again", lambda: service.health().problems == (), 30)
        assert [each.time for each in store.readings(HERON)] == [each.time for each in READINGS]
        with pytest.raises(StorageError, match="another gylewatch service works on it already"):
            store.claim()

    assert status == 503
    assert "check that it runs and the host in the url" in page.decode()
    said = capfd.readouterr().out
    assert 1 <= said.count("storage refuses readings") <= 3  # it ends, is away, begins: a line for each, not each try
    assert "Traceback" not in said
    assert "did not stop cleanly" not in said


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGQUIT], ids=["restarted", "killed"])
def test_a_server_that_ends_in_the_middle_of_transactions_lets_nothing_be_lost_or_told_twice(
    tmp_path: Path, broker: Broker, server: PostgresServer, how: signal.Signals
) -> None:
    url, undisturbed = (furnish(tmp_path, PITCHED, server=server.new_database()) for _ in range(2))
    with running(settings(url, broker.port), READINGS[-1].time) as service:
        for start in range(0, len(READINGS), 40):
            publish(broker.port, READINGS[start : start + 40])
            server.stop(how)
            server.start()
        eventually("all are concluded", lambda: service.concluded_until(HERON) == READINGS[-1].time, 60)
        eventually("all is told", lambda: dict(service.health().outbox) == counted(delivered=1), 30)
        health = service.health()
    with running(settings(undisturbed, broker.port), READINGS[-1].time) as service:
        publish(broker.port, READINGS)
        eventually("all are concluded", lambda: service.concluded_until(HERON) == READINGS[-1].time, 60)

    with Store.open(url) as store, Store.open(undisturbed) as other:
        assert store.readings(HERON) == other.readings(HERON)
        assert store.estimates(BATCH) == other.estimates(BATCH)
        assert [each.alert for each in store.alerts(BATCH)] == [each.alert for each in other.alerts(BATCH)]
    assert health.problems == ()
    assert health.readings_accepted + health.readings_duplicate >= len(READINGS)


def counted(*, delivered: int) -> dict[str, int]:
    return {"waiting": 0, "failing": 0, "delivered": delivered, "given_up": 0}


def test_a_server_that_is_not_there_yet_is_worth_another_try(tmp_path: Path, server: PostgresServer) -> None:
    """After a power cut both start at once; a supervisor starts again what ends with this code."""
    url = furnish(tmp_path, PITCHED, server=server.new_database())
    server.stop()

    with pytest.raises(StorageError) as refusal:
        Service(settings(url, None)).start()
    code, said = cli.answer(refusal.value)
    server.start()

    assert code == cli.LATER
    assert "the server cannot be reached; check that it runs" in said
    with running(settings(url, None), PITCHED, connect=False) as service:
        assert service.health().problems == ()
