"""The thread that delivers: what it says about a store that it cannot use."""

from __future__ import annotations

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
    name = "phone"

    def __init__(self) -> None:
        self.told: list[Message] = []

    def deliver(self, message: Message) -> None:
        self.told.append(message)


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
