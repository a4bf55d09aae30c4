"""The threads that deliver: a channel that hangs, a store they cannot use, a message that is in hand at the stop."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from alerts.notice import Message
from gylewatch.clock import SteppedClock
from gylewatch.deliverer import Deliverer
from gylewatch.errors import StorageError
from gylewatch.values import BatchId
from storage.store import Store
from tests.eventually import eventually
from tests.storage.examples import PITCHED, alert, at, batch, curve, float_record, references, vessel_record


class Phone:
    def __init__(self, name: str = "phone") -> None:
        self.name = name
        self.told: list[Message] = []

    def deliver(self, message: Message) -> None:
        self.told.append(message)


class SlowPhone(Phone):
    """Takes a message only when it is let go on; from then on all at once."""

    def __init__(self, name: str = "phone") -> None:
        super().__init__(name)
        self.asked = threading.Event()
        self.goes_on = threading.Event()

    def deliver(self, message: Message) -> None:
        self.asked.set()
        assert self.goes_on.wait(30)
        super().deliver(message)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A store with one alert to go out."""
    with Store.open(f"sqlite:///{tmp_path / 'test.sqlite'}") as opened:
        opened.add_float(float_record("heron"))
        opened.add_vessel(vessel_record("FV1"))
        opened.add_curve(curve(), references(), who="Ada", note="", created=PITCHED)
        batch_id = opened.add_batch(batch(), created=PITCHED).batch_id
        opened.save_outcomes(batch_id, alerts=[alert(1)], channels=["phone"])
        yield opened


@pytest.mark.parametrize("broken", ["outbox_due", "outbox_delivered"])
def test_a_store_that_cannot_be_used_for_long_is_in_the_log_once_and_again_after_it_could(
    store: Store, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    works, tries, phone = getattr(Store, broken), list[object](), Phone()

    def full(*_: object, **__: object) -> None:
        tries.append(None)
        raise StorageError("the disk is full", retry=True)

    def fail_three_times(deliverer: Deliverer) -> None:
        monkeypatch.setattr(Store, broken, full)
        for _ in range(3):
            before = len(tries)
            deliverer.wake()
            eventually("it is tried", lambda before=before: len(tries) > before)  # type: ignore[misc]
        monkeypatch.setattr(Store, broken, works)
        deliverer.wake()
        eventually("nothing waits", lambda: store.outbox_counts()["waiting"] == 0)

    deliverer = Deliverer(store, {"phone": phone}, SteppedClock(at(100)))
    with capture_logs() as logged:
        monkeypatch.setattr(Store, broken, full)  # from the first look on
        deliverer.start()
        fail_three_times(deliverer)
        monkeypatch.setattr(Store, broken, full)  # before there is anything to find
        store.save_outcomes(BatchId("harbour-pale"), alerts=[alert(2)], channels=["phone"])
        fail_three_times(deliverer)
        deliverer.stop()

    assert [entry["problem"] for entry in logged if entry["log_level"] == "warning"] == ["the disk is full"] * 2
    assert len(phone.told) == 2


def test_a_message_that_is_under_way_at_the_stop_is_noted_and_the_next_one_waits(store: Store) -> None:
    store.save_outcomes(BatchId("harbour-pale"), alerts=[alert(2)], channels=["phone"])
    channel = SlowPhone()
    deliverer = Deliverer(store, {"phone": channel}, SteppedClock(at(3)))
    deliverer.start()
    assert channel.asked.wait(30)

    stop = threading.Thread(target=deliverer.stop)
    stop.start()
    eventually("it is asked to stop", lambda: deliverer.is_stopping)
    channel.goes_on.set()
    stop.join(30)
    after_stop = store.outbox_counts()

    assert len(channel.told) == 1
    assert (after_stop["delivered"], after_stop["waiting"]) == (1, 1)

    again = Deliverer(store, {"phone": channel}, SteppedClock(at(4)))
    again.start()
    eventually("all is told", lambda: store.outbox_counts()["waiting"] == 0)
    again.stop()
    assert len(channel.told) == 2, "once each"


def test_a_channel_that_hangs_keeps_no_other_waiting(store: Store) -> None:
    store.save_outcomes(BatchId("harbour-pale"), alerts=[alert(2)], channels=["hangs", "mail", "gone"])
    hangs, mail, phone = SlowPhone("hangs"), Phone("mail"), Phone()
    deliverer = Deliverer(store, {each.name: each for each in (hangs, mail, phone)}, SteppedClock(at(3)))
    deliverer.start()
    assert hangs.asked.wait(30)

    eventually("the others have told", lambda: store.outbox_counts()["delivered"] == 2)
    assert (len(hangs.told), len(mail.told), len(phone.told)) == (0, 1, 1)

    hangs.goes_on.set()
    eventually("it has told too", lambda: store.outbox_counts()["delivered"] == 3)
    eventually("nobody takes the last one", lambda: store.outbox_counts()["failing"] == 1)
    deliverer.stop()

    assert (len(hangs.told), len(mail.told), len(phone.told)) == (1, 1, 1)
    (failing,) = store.outbox_failing()
    assert (failing.channel, failing.attempts) == ("gone", 1)
