"""A batch that was ended too early: the terminal takes its end back; it is read again, and nothing is told twice."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from alerts.alert import Alert, Kind
from alerts.settings import AlertSettings
from gylewatch import pipeline
from gylewatch.clock import SteppedClock
from gylewatch.closing import close
from gylewatch.values import FloatId, Instrument, Sample, Unit
from gylewatch.watch import BatchWatch
from gylewatch.worker import Worker
from storage.store import Store
from tests.eventually import eventually
from tests.gylewatch.brew import PITCHED, pale_readings
from tests.gylewatch.live import BATCH, furnish
from tests.gylewatch.workbench import Terminal

READINGS = pale_readings(200)
ENDED = 120  # readings before the end; fermentation has started by then
HERON = FloatId("heron")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(furnish(tmp_path, PITCHED)) as opened:
        yield opened


class Brewery:
    """A worker over a store, with a clock that stands still."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.worker = Worker(
            store,
            clock=SteppedClock(READINGS[-1].time + timedelta(hours=1)),
            alert_settings=AlertSettings(),
            channels=("phone",),
            on_progress=lambda _: None,
        )

    def hear(self, first: int, last: int) -> None:
        self.store.append_readings(READINGS[first:last])
        self.worker.look()
        eventually("all is read", lambda: len(self.store.estimates(BATCH)) == last)

    def __enter__(self) -> Brewery:
        self.worker.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.worker.stop()


def told(store: Store) -> list[Alert]:
    return [each.alert for each in store.alerts(BATCH)]


def test_it_is_read_again_with_what_came_meanwhile_and_no_alert_is_told_twice(store: Store) -> None:
    with Brewery(store) as brewery:
        brewery.hear(0, ENDED)
        before = store.estimates(BATCH)
        assert [each.kind for each in told(store)] == [Kind.FERMENTATION_STARTED]
        store.end_batch(BATCH, READINGS[ENDED - 1].time)
        brewery.worker.look()
        eventually("its alerts are over", lambda: store.open_alerts(BATCH) == ())
        store.append_readings(READINGS[ENDED:150])

        store.reopen_batch(BATCH, READINGS[150].time)
        brewery.worker.look()
        eventually("it is read again", lambda: len(store.estimates(BATCH)) == 150)
        brewery.hear(150, 200)

    assert store.estimates(BATCH)[:ENDED] == before
    assert [each.kind for each in told(store)] == [Kind.FERMENTATION_STARTED]
    assert [each.alert for each in store.open_alerts(BATCH)] == told(store)
    assert store.outbox_counts()["waiting"] == 1  # the start, told once


def test_one_whose_estimates_were_thinned_has_all_of_them_again(store: Store) -> None:
    with Brewery(store) as brewery:
        brewery.hear(0, ENDED)
        before = store.estimates(BATCH)
        store.end_batch(BATCH, READINGS[ENDED - 1].time)
        brewery.worker.look()
        eventually("it is read to its end", lambda: store.open_alerts(BATCH) == ())
        assert store.thin_estimates(READINGS[-1].time) > ENDED / 2

        store.reopen_batch(BATCH, READINGS[150].time)
        brewery.worker.look()
        eventually("it is read again", lambda: len(store.estimates(BATCH)) == ENDED)

    assert store.estimates(BATCH) == before
    assert store.thin_estimates(READINGS[-1].time) == 0


def test_an_end_that_is_taken_back_before_anybody_looked_changes_nothing(store: Store) -> None:
    with Brewery(store) as brewery:
        brewery.hear(0, ENDED)
        before = store.estimates(BATCH)

        store.end_batch(BATCH, READINGS[ENDED - 1].time)
        store.reopen_batch(BATCH, READINGS[ENDED].time)
        brewery.worker.look()
        eventually("it is read again", lambda: len(store.estimates(BATCH)) == ENDED)
        brewery.hear(ENDED, 150)

    assert store.estimates(BATCH)[:ENDED] == before
    assert store.outbox_counts()["waiting"] == 1


@pytest.mark.parametrize("heard", [20, ENDED], ids=["nothing told yet", "the start was told"])
def test_reopened_while_the_service_is_stopped_it_is_read_again_at_its_next_start(store: Store, heard: int) -> None:
    with Brewery(store) as brewery:
        brewery.hear(0, heard)
    store.end_batch(BATCH, READINGS[heard - 1].time)
    store.reopen_batch(BATCH, READINGS[heard].time)
    store.append_readings(READINGS[heard:][::-1])  # a gateway that delivers the newest first

    with Brewery(store) as brewery:
        brewery.worker.look()
        # The start is told in the step after the last reading, where it had not been told before.
        eventually("it is read again", lambda: len(store.estimates(BATCH)) == len(READINGS) and bool(told(store)))

    assert [each.kind for each in told(store)] == [Kind.FERMENTATION_STARTED]
    assert store.outbox_counts()["waiting"] == 1


def watch_from_before_a_reopening(store: Store) -> BatchWatch:
    """It has taken 40 readings of a batch that was ended and reopened since."""
    store.set_batch_curve(BATCH, 1)
    store.append_readings(READINGS[:40])
    watch = BatchWatch(store, store.batch(BATCH), AlertSettings(), ())
    watch.step()
    store.end_batch(BATCH, READINGS[39].time)
    store.reopen_batch(BATCH, READINGS[40].time)
    return watch


def test_a_watch_from_before_saves_no_state_over_what_is_to_be_read_again(store: Store) -> None:
    watch = watch_from_before_a_reopening(store)

    watch.save()

    assert store.state(BATCH) is None


def test_killed_before_the_reopening_is_noticed_it_is_read_again_at_the_next_start(store: Store) -> None:
    before = watch_from_before_a_reopening(store)
    store.append_readings(READINGS[40:60])
    before.step()  # half an hour of data and more: a state is due

    BatchWatch(store, store.batch(BATCH), AlertSettings(), ()).step()

    assert [each.time for each in store.estimates(BATCH)] == [each.time for each in READINGS[:60]]


def test_killed_in_the_step_in_which_a_sample_is_withdrawn_it_is_read_again_without_it(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.set_batch_curve(BATCH, 1)
    store.append_readings(READINGS[:60])
    watch = BatchWatch(store, store.batch(BATCH), AlertSettings(), ())
    watch.step()
    without = store.estimates(BATCH)
    mistyped = Sample(
        time=READINGS[30].time + timedelta(minutes=1),
        instrument=Instrument.HYDROMETER,
        value=1.03,
        unit=Unit.SG,
        sample_temperature_c=20.0,
    )
    number = store.add_sample(BATCH, mistyped)
    judge = pipeline.on_sample

    def withdrawing(course: pipeline.Course, state: pipeline.State, sample: Sample) -> pipeline.Outcome:
        store.withdraw_sample(BATCH, number, who="Ada", time=READINGS[-1].time)
        return judge(course, state, sample)

    monkeypatch.setattr(pipeline, "on_sample", withdrawing)
    watch.step()

    BatchWatch(store, store.batch(BATCH), AlertSettings(), ()).step()

    assert store.estimates(BATCH) == without


def test_the_end_of_a_batch_that_is_reopened_meanwhile_closes_none_of_its_alerts(store: Store) -> None:
    with Brewery(store) as brewery:
        brewery.hear(0, ENDED)
    store.end_batch(BATCH, READINGS[ENDED - 1].time)
    seen = store.batches()
    store.reopen_batch(BATCH, READINGS[ENDED].time)

    closed = close(store, seen, ("phone",))

    assert closed == {BATCH: ()}
    assert [each.alert.kind for each in store.open_alerts(BATCH)] == [Kind.FERMENTATION_STARTED]


def test_the_terminal_takes_an_end_back_and_refuses_what_cannot_be(workbench: Terminal) -> None:
    active = workbench.type("batch reopen test-ale")
    workbench.type("batch end test-ale")
    listed = workbench.type("batch change test-ale batch.toml")
    reopened = workbench.type("batch reopen test-ale")
    shown = workbench.type("batch list --json").json

    assert (active.code, active.err) == (2, "batch 'test-ale' is not reopened: it is active")
    assert listed.err.endswith("what is over is not changed, unless it is reopened: gylewatch batch reopen test-ale")
    assert reopened.out == "batch test-ale is watched again, and read again from its readings\n"
    assert [each["ended"] for each in shown] == [None]


def test_the_terminal_names_the_batch_that_is_in_the_way(workbench: Terminal) -> None:
    workbench.type("batch end test-ale")
    other = (workbench.folder / "batch.toml").read_text().replace("Test Ale", "Next Ale")
    (workbench.folder / "next.toml").write_text(other)
    added = workbench.type("batch add next.toml")
    assert "float heron lay in 'Test Ale' until" in added.err  # it was pitched before that end

    refused = workbench.type("batch reopen test-ale")

    assert refused.code == 2
    assert refused.err.startswith(
        "batch 'test-ale' is not reopened: its float heron is in the active batch 'Next Ale' since, and"
    )
    assert refused.err.endswith("remove it: gylewatch batch remove next-ale")
    workbench.type("batch remove next-ale")
    assert workbench.type("batch reopen test-ale").code == 0
