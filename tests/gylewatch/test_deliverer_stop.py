"""The thread that takes messages to the channels: what is in hand when it is stopped is neither lost nor told twice."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from alerts.alert import Kind
from alerts.delivery.channel import Message
from gylewatch.clock import SteppedClock
from gylewatch.deliverer import Deliverer
from gylewatch.values import BatchId
from storage.store import Store
from tests.eventually import eventually
from tests.storage.examples import alert, at, batch, float_record, vessel_record


class SlowChannel:
    """Takes a message only when it is let go on; from then on all at once."""

    name = "mail"

    def __init__(self) -> None:
        self.asked = threading.Event()
        self.goes_on = threading.Event()
        self.taken: list[Message] = []

    def deliver(self, message: Message) -> None:
        self.asked.set()
        assert self.goes_on.wait(30)
        self.taken.append(message)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(f"sqlite:///{tmp_path / 'test.sqlite'}") as opened:
        opened.add_float(float_record("heron"))
        opened.add_vessel(vessel_record("FV1"))
        opened.add_batch(batch(), created=at(0))
        told = [alert(1, Kind.FLOAT_SILENT), alert(2, Kind.BATTERY_LOW)]
        opened.save_outcomes(BatchId("harbour-pale"), alerts=told, channels=["mail"])
        yield opened


def test_a_message_that_is_under_way_at_the_stop_is_noted_and_the_next_one_waits(store: Store) -> None:
    channel = SlowChannel()
    deliverer = Deliverer(store, {"mail": channel}, SteppedClock(at(3)))
    deliverer.start()
    assert channel.asked.wait(30)

    stop = threading.Thread(target=deliverer.stop)
    stop.start()
    eventually("it is asked to stop", lambda: deliverer.is_stopping)
    channel.goes_on.set()
    stop.join(30)
    after_stop = store.outbox_counts()

    assert len(channel.taken) == 1
    assert (after_stop["delivered"], after_stop["waiting"]) == (1, 1)

    again = Deliverer(store, {"mail": channel}, SteppedClock(at(4)))
    again.start()
    eventually("all is told", lambda: store.outbox_counts()["waiting"] == 0)
    again.stop()
    assert len(channel.taken) == 2, "once each"
