"""One thread over every batch: what is wrong with one of them keeps no other from being watched."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from alerts.alert import Kind
from alerts.settings import AlertSettings
from gylewatch import pipeline
from gylewatch.clock import SteppedClock
from gylewatch.errors import StorageError
from gylewatch.values import BatchId, FloatId, VesselId
from gylewatch.watch import BatchWatch, Progress
from gylewatch.worker import Worker
from storage.records import BatchRecord
from storage.store import Store
from tests.eventually import eventually
from tests.storage.examples import PITCHED, at, batch, curve, float_record, reading, references, sample, vessel_record


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Two beers, each heard for some hours and then no more."""
    with Store.open(f"sqlite:///{tmp_path / 'test.sqlite'}") as opened:
        for name, vessel, float_name in (("Amber", "FV1", "heron"), ("Brown", "FV2", "wren")):
            opened.add_float(float_record(float_name))
            opened.add_vessel(vessel_record(vessel))
            opened.add_curve(curve(float_name), references(float_name), who="Ada", note="", created=PITCHED)
            opened.add_batch(batch(name, vessel=VesselId(vessel), float_id=FloatId(float_name)), created=PITCHED)
            opened.append_readings([reading(15 * each, name=float_name) for each in range(20)])
        yield opened


@contextmanager
def working(store: Store, now: datetime | SteppedClock) -> Iterator[Worker]:
    clock = SteppedClock(now) if isinstance(now, datetime) else now
    worker = Worker(store, clock=clock, alert_settings=AlertSettings(), channels=(), on_progress=lambda _: None)
    worker.start()
    try:
        yield worker
    finally:
        worker.stop()


def is_silent(store: Store, batch_id: str) -> bool:
    return any(each.alert.kind is Kind.FLOAT_SILENT for each in store.open_alerts(BatchId(batch_id)))


def test_a_batch_that_cannot_be_judged_is_named_and_keeps_no_other_from_being_watched(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    on_tick = pipeline.on_tick

    def stumbling(course: pipeline.Course, state: pipeline.State, now: datetime) -> pipeline.Outcome:
        if course.batch.name == "Amber":
            raise ZeroDivisionError
        return on_tick(course, state, now)

    monkeypatch.setattr(pipeline, "on_tick", stumbling)
    with working(store, at(0) + timedelta(days=3)) as worker:
        worker.tick()
        eventually("the other float is silent", lambda: is_silent(store, "brown"))
        eventually("the fault is told", lambda: worker.health().problems)
        (problem,) = worker.health().problems
        silent_meanwhile = is_silent(store, "amber")

        monkeypatch.setattr(pipeline, "on_tick", on_tick)
        worker.tick()
        eventually("it is judged again", lambda: is_silent(store, "amber"))
        eventually("the fault is over", lambda: worker.health().problems == ())

    assert problem.startswith("batch Amber: something went wrong")
    assert not silent_meanwhile


def test_a_change_that_could_not_be_taken_in_is_no_problem_once_the_batch_is_taken_up_anew(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    update = BatchWatch.update
    ids = [BatchId("amber"), BatchId("brown")]
    changed = replace(store.batch(BatchId("amber")).batch, temperature_c=(15.0, 25.0))
    with working(store, at(0) + timedelta(hours=6)) as worker:
        eventually("both are followed", lambda: len(store.latest_estimates(ids)) == 2)

        def stumbling(watch: BatchWatch, record: BatchRecord) -> None:
            raise ZeroDivisionError

        monkeypatch.setattr(BatchWatch, "update", stumbling)
        store.replace_batch(store.batch(BatchId("amber")), changed)
        worker.look()
        eventually("the fault is told", lambda: worker.health().problems)

        monkeypatch.setattr(BatchWatch, "update", update)
        worker.look()
        eventually("the fault is over", lambda: worker.health().problems == ())


def test_a_batch_that_is_given_a_float_without_a_curve_waits_for_one(store: Store) -> None:
    amber = BatchId("amber")
    with working(store, at(300)) as worker:
        eventually("it is read", lambda: len(store.estimates(amber)) == 20)
        moved = replace(store.batch(amber).batch, float_id=FloatId("tern"))
        store.replace_batch(store.batch(amber), moved, new=[float_record("tern")])
        store.append_readings([reading(15 * each, name="tern") for each in range(10)])
        with capture_logs() as logged:
            worker.look()
            eventually("it is noticed", lambda: worker.health().problems != ())
        problems, shown = worker.health().problems, store.estimates(amber)

        store.add_curve(curve("tern"), references("tern"), who="Ada", note="", created=PITCHED)
        worker.look()
        eventually("it is read with its own curve", lambda: len(store.estimates(amber)) == 10)

        assert problems == ("batch Amber: float tern has no curve; make one with: gylewatch curve add references.csv",)
        assert shown == ()
        assert not [each for each in logged if each["log_level"] == "error"]
        assert worker.health().problems == ()


def test_readings_that_came_late_count_in_their_turn_once_all_is_calm(store: Store) -> None:
    clock, amber = SteppedClock(at(1201)), BatchId("amber")
    late = [reading(minutes) for minutes in range(300, 900, 15)]
    with working(store, clock) as worker:
        store.append_readings([reading(1200), *late])
        worker.stored(late)
        eventually("the newest is concluded from", lambda: worker.concluded_until(FloatId("heron")) == late[-1].time)
        at_first = len(store.estimates(amber))

        eventually("the batch is read again", lambda: _looked(clock, worker) and len(store.estimates(amber)) == 61)

    assert at_first == 21


def _looked(clock: SteppedClock, worker: Worker) -> bool:
    clock.move_to(clock.now() + timedelta(minutes=1))
    worker.look()
    return True


def test_a_batch_that_stays_broken_is_in_the_log_once(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    tries: list[BatchWatch] = []

    def stumbling(watch: BatchWatch, now: datetime) -> None:
        tries.append(watch)
        raise ZeroDivisionError

    monkeypatch.setattr(BatchWatch, "mind_clock", stumbling)
    with capture_logs() as told, working(store, at(0) + timedelta(hours=6)) as worker:
        for _ in range(3):
            before = len(tries)
            worker.look()
            eventually("both are tried again", lambda before=before: len(tries) >= before + 2)  # type: ignore[misc]

    faults = [entry["batch"] for entry in told if entry["event"] == "a batch could not be judged"]
    assert sorted(faults) == ["amber", "brown"]


@pytest.mark.parametrize("runs", [True, False], ids=["while the service runs", "while it is stopped"])
def test_what_is_open_of_a_batch_is_over_when_the_batch_is_ended(store: Store, *, runs: bool) -> None:
    amber, later = BatchId("amber"), at(0) + timedelta(hours=30)
    with working(store, later) as worker:
        eventually("all is followed", lambda: store.latest_estimate(amber) is not None)
        worker.tick()
        eventually("the silence is found", lambda: is_silent(store, amber) and is_silent(store, "brown"))
        if runs:
            store.end_batch(amber, later)
            worker.look()
            eventually("it is over", lambda: not is_silent(store, amber))
    if not runs:
        store.end_batch(amber, later)
        with working(store, later) as worker:
            worker.look()
            eventually("it is over", lambda: not is_silent(store, amber))

    assert store.open_alerts(amber) == ()
    end = store.alerts(amber)[-1].alert
    assert (end.resolves, end.evidence["batch_ended"]) == (Kind.FLOAT_SILENT, True)
    assert is_silent(store, "brown"), "the other batch goes on"


def test_a_full_disk_does_not_fill_the_log_with_batches_that_are_taken_up_again(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    save, tries = Store.save_outcomes, list[object]()

    def full(*_: object, **__: object) -> None:
        tries.append(None)
        raise StorageError("the disk is full", retry=True)

    monkeypatch.setattr(Store, "save_outcomes", full)
    with capture_logs() as told, working(store, at(0) + timedelta(hours=6)) as worker:
        eventually("it is tried again", lambda: len(tries) >= 3)
        monkeypatch.setattr(Store, "save_outcomes", save)
        eventually("both are followed", lambda: len(store.latest_estimates([BatchId("amber"), BatchId("brown")])) == 2)
        eventually("the fault is over", lambda: worker.health().problems == ())

    named = [entry["batch"] for entry in told if entry["event"] == "watching a batch"]
    assert sorted(named) == ["amber", "brown"]


def test_a_batch_with_a_long_way_to_go_holds_no_other_up(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gylewatch.watch.READINGS_AT_ONCE", 6)
    taken: list[str] = []
    step = BatchWatch.step

    def noted(watched: BatchWatch, now: datetime | None = None) -> Progress:
        taken.append(watched.record.batch_id)
        return step(watched, now)

    monkeypatch.setattr(BatchWatch, "step", noted)
    with working(store, at(0) + timedelta(days=3)) as worker:
        worker.tick()
        eventually("both are judged", lambda: is_silent(store, "amber") and is_silent(store, "brown"))

    assert taken[:8] == ["amber", "brown"] * 4


def test_what_is_new_elsewhere_is_looked_for_while_a_batch_is_behind(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gylewatch.worker.LOOK_EVERY_S", 0.0)
    step, brown = BatchWatch.step, BatchId("brown")

    def behind(watched: BatchWatch, now: datetime | None = None) -> Progress:
        return replace(step(watched, now), more=watched.record.batch_id == "amber")

    monkeypatch.setattr(BatchWatch, "step", behind)
    with working(store, at(300)):
        eventually("the other is read", lambda: len(store.estimates(brown)) == 20)
        store.add_sample(brown, sample(300))
        eventually("its sample is taken", lambda: len(store.estimates(brown)) == 21)


def test_a_stop_waits_for_what_is_in_hand_of_one_batch_only(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SteppedClock(at(300))
    worker = Worker(store, clock=clock, alert_settings=AlertSettings(), channels=(), on_progress=lambda _: None)
    taken: list[str] = []
    step = BatchWatch.step

    def stopped(watched: BatchWatch, now: datetime | None = None) -> Progress:
        taken.append(watched.record.batch_id)
        worker.ask_to_stop()
        return step(watched, now)

    monkeypatch.setattr(BatchWatch, "step", stopped)
    worker.start()
    worker.wait(30.0)

    assert taken == ["amber"]
    assert store.state(BatchId("amber")) is not None


def test_a_batch_that_is_ended_while_it_is_behind_is_read_to_its_end(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gylewatch.watch.READINGS_AT_ONCE", 6)
    step, amber = BatchWatch.step, BatchId("amber")

    def ending(watched: BatchWatch, now: datetime | None = None) -> Progress:
        if store.batch(amber).ended is None:
            store.end_batch(amber, at(290))
            store.append_readings([reading(15 * each, name="heron") for each in range(20, 30)])  # of the next beer
            worker.look()
        return step(watched, now)

    with working(store, at(300)) as worker:
        eventually("both are read", lambda: len(store.estimates(BatchId("brown"))) == 20)
        eventually("both are read", lambda: len(store.estimates(amber)) == 20)
        store.forget_estimates(amber)
        monkeypatch.setattr(BatchWatch, "step", ending)
        number = store.add_sample(amber, sample(150))
        store.withdraw_sample(amber, number, who="Ada", time=at(300))
        worker.look()
        eventually("it is let go of", lambda: store.state(amber) is not None)

    assert len(store.estimates(amber)) == 20
