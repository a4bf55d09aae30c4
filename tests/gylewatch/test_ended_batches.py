"""A batch that is ended while it is being read, or read again: it is read to its end, and holds nobody up."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from alerts.alert import Kind
from alerts.notice import Notice
from alerts.settings import AlertSettings
from calibration.fit import fit_curve
from fermentation.estimate import Estimate
from gylewatch.clock import SteppedClock
from gylewatch.values import BatchId, FloatId, Instrument, Sample, Unit, VesselId
from gylewatch.watch import BatchWatch, Progress
from gylewatch.worker import Worker
from storage.store import Store
from tests.eventually import eventually
from tests.gylewatch.brew import PITCHED, pale_readings
from tests.gylewatch.live import BATCH, furnish
from tests.storage.examples import batch, curve, float_record, reading, references, vessel_record

READINGS = pale_readings(120)  # fermentation has started by then
ENDED = READINGS[-1].time + timedelta(minutes=1)
BROWN = BatchId("brown")
HERON = FloatId("heron")
LATE = Sample(
    time=READINGS[20].time + timedelta(minutes=1),
    instrument=Instrument.HYDROMETER,
    value=1.0455,
    unit=Unit.SG,
    sample_temperature_c=19.0,
)

pytestmark = pytest.mark.usefixtures("small_pages")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """One beer that is to be heard, and another one beside it."""
    with Store.open(furnish(tmp_path, PITCHED)) as opened:
        opened.set_batch_curve(BATCH, 1)
        opened.add_float(float_record("wren"))
        opened.add_vessel(vessel_record("FV2"))
        opened.add_curve(curve("wren"), references("wren"), who="Ada", note="", created=PITCHED)
        brown = batch("Brown", vessel=VesselId("FV2"), float_id=FloatId("wren"))
        opened.add_batch(brown, created=PITCHED)
        yield opened


def worker_over(store: Store, now: datetime = ENDED) -> Worker:
    return Worker(
        store,
        clock=SteppedClock(now),
        alert_settings=AlertSettings(),
        channels=("phone",),
        on_progress=lambda _: None,
    )


@contextmanager
def working(store: Store, now: datetime = ENDED) -> Iterator[Worker]:
    worker = worker_over(store, now)
    worker.start()
    worker.look()
    try:
        yield worker
    finally:
        worker.stop()


def follow(store: Store) -> None:
    watched = BatchWatch(store, store.batch(BATCH), AlertSettings(), ("phone",))
    while watched.step().more:
        pass
    watched.save()


def in_one_go(folder: Path, *samples: Sample, curve_version: int = 1) -> tuple[Estimate, ...]:
    """What is believed of the beer where nothing came late and nobody ended it."""
    folder.mkdir()
    with Store.open(furnish(folder, PITCHED)) as other:
        add_other_curve(other)
        other.set_batch_curve(BATCH, curve_version)
        other.append_readings(READINGS)
        for sample in samples:
            other.add_sample(BATCH, sample)
        follow(other)
        return other.estimates(BATCH)


def add_other_curve(store: Store) -> None:
    """A second version of the float's curve, four points higher."""
    points = [replace(point, gravity_sg=point.gravity_sg + 0.004) for point in store.curves(HERON)[0].references]
    store.add_curve(fit_curve(points), points, who="Ada", note="", created=PITCHED)


def end(store: Store) -> None:
    store.end_batch(BATCH, ENDED)


def is_through(store: Store) -> bool:
    return store.batch(BATCH).ended is not None and store.state(BATCH) is not None and store.left_unread() == ()


def stop_after_a_page(store: Store, monkeypatch: pytest.MonkeyPatch, *, ends: bool) -> None:
    """Let a worker take two pages of the beer, and end the batch before the second if asked to."""
    step, pages = BatchWatch.step, list[BatchWatch]()
    worker = worker_over(store)

    def stopping(watched: BatchWatch, now: datetime | None = None) -> Progress:
        if watched.record.batch_id == BATCH:
            if pages:
                worker.ask_to_stop()
            elif ends:
                end(store)
                worker.look()
            pages.append(watched)
        return step(watched, now)

    monkeypatch.setattr(BatchWatch, "step", stopping)
    worker.start()
    worker.look()
    worker.wait(30.0)


def test_it_holds_no_other_up(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store.append_readings(READINGS)
    follow(store)
    store.add_sample(BATCH, LATE)
    step, taken = BatchWatch.step, list[str]()

    def ending(watched: BatchWatch, now: datetime | None = None) -> Progress:
        if watched.record.batch_id == BATCH:
            news = reading(len(taken), name="wren")
            store.append_readings([news])
            worker.stored([news])
            if store.batch(BATCH).ended is None:
                end(store)
                worker.look()
        taken.append(watched.record.batch_id)
        return step(watched, now)

    monkeypatch.setattr(BatchWatch, "step", ending)
    with working(store) as worker:
        sampled = partial(store.estimates, BATCH, since=LATE.time, until=LATE.time + timedelta(seconds=1))
        eventually("it is read again to its end", lambda: sampled() and is_through(store))

    pages = [place for place, each in enumerate(taken) if each == BATCH]
    assert len(pages) > 3
    assert all(BROWN in taken[one:other] for one, other in pairwise(pages))
    assert store.estimates(BATCH) == in_one_go(tmp_path / "other", LATE)


@pytest.mark.parametrize(
    ("again", "runs"),
    [
        pytest.param(True, True, id="ended and stopped while it is read again"),
        pytest.param(True, False, id="stopped while it is read again and ended"),
        pytest.param(False, True, id="ended and stopped while it is read on"),
        pytest.param(False, False, id="stopped while it is read on and ended"),
    ],
)
def test_a_stop_on_the_way_has_it_read_to_its_end_after_the_next_start(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, again: bool, runs: bool
) -> None:
    store.append_readings(READINGS if again else READINGS[:30])
    follow(store)
    if again:
        store.add_sample(BATCH, LATE)
    else:
        store.append_readings(READINGS[30:])
    with monkeypatch.context() as patch:
        stop_after_a_page(store, patch, ends=runs)
    if not runs:
        end(store)
    before = store.estimates(BATCH)

    with working(store):
        eventually("it is read to its end", lambda: is_through(store))

    wanted = in_one_go(tmp_path / "other", *([LATE] if again else []))
    assert before != wanted
    assert store.estimates(BATCH) == wanted


def test_what_waited_with_the_broker_until_after_the_end_is_read_too(store: Store, tmp_path: Path) -> None:
    store.append_readings(READINGS[:30])
    follow(store)
    end(store)

    with working(store) as worker:
        store.append_readings([reading(1, name="wren")])
        worker.stored([reading(1, name="wren")])
        eventually("the worker has looked", lambda: store.estimates(BROWN))
        for first in range(30, len(READINGS), 10):
            store.append_readings(READINGS[first : first + 10])
            worker.stored(READINGS[first : first + 10])
        eventually("it is read to its end", lambda: len(store.estimates(BATCH)) == len(READINGS))
        eventually("it is let go of", lambda: is_through(store))

    assert store.estimates(BATCH) == in_one_go(tmp_path / "other")


def test_what_its_end_has_closed_does_not_end_once_more_when_it_is_read_on(store: Store) -> None:
    brew = pale_readings(560)
    ended = brew[-1].time + timedelta(minutes=1)
    store.append_readings(brew[:200])
    follow(store)
    store.end_batch(BATCH, ended)
    opened = {record.alert.kind for record in store.open_alerts(BATCH)}

    with working(store, ended) as worker:
        eventually("its alerts are closed", lambda: store.open_alerts(BATCH) == ())
        store.append_readings(brew[200:])
        worker.stored(brew[200:])
        eventually("it is read to its end", lambda: len(store.estimates(BATCH)) == len(brew))
        eventually("it is let go of", lambda: store.left_unread() == () and store.open_alerts(BATCH) == ())

    assert opened == {Kind.FERMENTATION_STARTED}
    ends = [record.alert.resolves for record in store.alerts(BATCH) if record.alert.resolves is not None]
    assert ends.count(Kind.FERMENTATION_STARTED) == 1
    waiting = [each.message for each in store.outbox_due(ended + timedelta(days=1), 100)]
    kinds = [each.alert.kind for each in waiting if isinstance(each, Notice) and each.alert.resolves is None]
    assert Kind.FERMENTATION_FINISHED not in kinds


def test_readings_of_another_beer_leave_nothing_unread(store: Store) -> None:
    store.append_readings(READINGS)
    follow(store)
    end(store)

    store.append_readings([replace(READINGS[-1], time=ENDED + timedelta(minutes=each)) for each in (1, 2)])
    store.append_readings([replace(READINGS[0], time=PITCHED - timedelta(minutes=1))])
    others = store.left_unread()
    store.append_readings([replace(READINGS[-1], time=ENDED - timedelta(seconds=1))])

    assert others == ()
    assert [record.batch_id for record in store.left_unread()] == [BATCH]


def thinned(store: Store) -> tuple[Estimate, ...]:
    """What stays of the beer a night after its end."""
    store.append_readings(READINGS[:-1])
    follow(store)
    end(store)
    assert store.thin_estimates(ENDED + timedelta(minutes=1)) > 0
    return store.estimates(BATCH)


def test_a_thinned_one_is_read_again_neither_at_a_start_nor_for_a_stray_reading(store: Store) -> None:
    left = thinned(store)

    for minutes in (1, 2):
        with working(store) as worker:
            store.append_readings(READINGS[-1:])  # a second time it is a repeat, and lies there already at the start
            worker.stored(READINGS[-1:])
            store.append_readings([reading(minutes, name="wren")])
            worker.stored([reading(minutes, name="wren")])
            eventually("the worker has looked", partial(worker.concluded_until, FloatId("wren")))

    assert store.estimates(BATCH) == left
    assert store.thin_estimates(ENDED + timedelta(minutes=1)) == 0


@pytest.mark.parametrize("reopens", [False, True])
def test_a_thinned_one_is_read_again_where_it_is_wanted(store: Store, tmp_path: Path, reopens: bool) -> None:
    add_other_curve(store)
    thinned(store)
    store.append_readings(READINGS[-1:])

    with working(store) as worker:
        if reopens:
            store.reopen_batch(BATCH, ENDED)
        store.set_batch_curve(BATCH, 2)
        worker.look()
        eventually("it is read again", lambda: len(store.estimates(BATCH)) == len(READINGS))
        end(store)
        worker.look()
        eventually("it is let go of", lambda: is_through(store))

    assert store.estimates(BATCH) == in_one_go(tmp_path / "other", curve_version=2)


def test_it_is_read_again_under_another_curve_while_the_service_runs(store: Store, tmp_path: Path) -> None:
    add_other_curve(store)
    store.append_readings(READINGS)
    end(store)

    with working(store) as worker:
        eventually("it is read to its end", lambda: is_through(store))
        store.set_batch_curve(BATCH, 2)
        worker.look()
        eventually("it is read again", lambda: is_through(store))

    assert store.estimates(BATCH) == in_one_go(tmp_path / "other", curve_version=2)


def test_it_is_read_again_under_another_curve_when_the_service_is_started_next(store: Store, tmp_path: Path) -> None:
    add_other_curve(store)
    store.append_readings(READINGS)
    follow(store)
    end(store)
    store.set_batch_curve(BATCH, 2)

    with working(store):
        eventually("it is read again", lambda: is_through(store))

    assert store.estimates(BATCH) == in_one_go(tmp_path / "other", curve_version=2)


def test_what_its_end_has_closed_is_not_told_once_more_when_it_is_read_again(store: Store) -> None:
    add_other_curve(store)
    store.append_readings(READINGS)
    follow(store)
    end(store)

    with working(store) as worker:
        eventually("its alerts are closed", lambda: store.open_alerts(BATCH) == ())
        before = store.alerts(BATCH)
        store.set_batch_curve(BATCH, 2)
        worker.look()
        eventually("it is read again", lambda: is_through(store))
        store.append_readings([reading(1, name="wren")])
        worker.stored([reading(1, name="wren")])
        eventually("the worker goes on", lambda: store.estimates(BROWN))

    assert [record.alert.kind for record in before] == [Kind.FERMENTATION_STARTED] * 2
    assert store.alerts(BATCH) == before


def test_what_was_concluded_under_the_curve_of_before_is_not_kept_as_of_the_new_one(store: Store) -> None:
    add_other_curve(store)
    store.append_readings(READINGS)
    end(store)
    watched = BatchWatch(store, store.batch(BATCH), AlertSettings(), ("phone",))

    store.set_batch_curve(BATCH, 2)
    while watched.step(ENDED).more:
        pass
    watched.save()

    assert store.estimates(BATCH) == ()
    assert [record.batch_id for record in store.broken_off()] == [BATCH]


def test_the_same_curve_once_more_reads_nothing_again(store: Store) -> None:
    store.append_readings(READINGS)
    follow(store)
    end(store)

    store.set_batch_curve(BATCH, 1)

    assert is_through(store)


def test_by_a_clock_that_is_not_set_yet_it_is_read_to_its_end_all_the_same(store: Store, tmp_path: Path) -> None:
    store.append_readings(READINGS)
    end(store)

    with working(store, PITCHED - timedelta(days=400)):
        eventually("it is read to its end", lambda: is_through(store))

    assert store.estimates(BATCH) == in_one_go(tmp_path / "other")


def test_what_was_drawn_or_measured_after_the_end_is_of_another_beer(store: Store, tmp_path: Path) -> None:
    store.append_readings(READINGS)
    store.append_readings([replace(READINGS[-1], time=ENDED + timedelta(minutes=each)) for each in range(1, 50)])
    store.add_sample(BATCH, replace(LATE, time=ENDED + timedelta(minutes=1)))
    end(store)

    with working(store, ENDED + timedelta(days=1)):
        eventually("it is read to its end", lambda: is_through(store))

    assert store.estimates(BATCH) == in_one_go(tmp_path / "other")


def test_late_readings_are_put_in_order_when_it_is_ended(store: Store, tmp_path: Path) -> None:
    store.append_readings([READINGS[-1], *READINGS[:-1]])

    with working(store) as worker:
        eventually("they have come late", lambda: worker.concluded_until(READINGS[0].float_id) == READINGS[-2].time)
        before = len(store.estimates(BATCH))
        end(store)
        worker.look()
        eventually("it is read to its end", lambda: is_through(store))

    assert before < len(READINGS)
    assert store.estimates(BATCH) == in_one_go(tmp_path / "other")


def test_what_is_found_of_a_beer_that_is_over_is_told_to_nobody(store: Store) -> None:
    store.append_readings(READINGS)
    end(store)

    with working(store):
        eventually("it is over", lambda: is_through(store) and not store.open_alerts(BATCH))

    told = [each.alert.resolves for each in store.alerts(BATCH)]
    waiting = [each.message for each in store.outbox_due(ENDED, 100)]
    assert told == [None, Kind.FERMENTATION_STARTED]
    assert [each.alert.resolves for each in waiting if isinstance(each, Notice)] == [Kind.FERMENTATION_STARTED]


def test_one_whose_readings_are_deleted_keeps_what_was_concluded(store: Store) -> None:
    store.append_readings(READINGS)
    follow(store)
    end(store)
    store.forget_state(BATCH)
    before = store.estimates(BATCH)
    store.prune(READINGS[50].time)

    with working(store) as worker:
        store.append_readings([reading(1, name="wren")])
        worker.look()
        eventually("the other one is followed", lambda: store.estimates(BROWN))

    assert store.broken_off() == ()
    assert store.estimates(BATCH) == before


def test_one_that_is_removed_while_it_is_read_again_leaves_no_traceback(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.append_readings(READINGS)
    follow(store)
    end(store)
    store.forget_state(BATCH)
    step = BatchWatch.step

    def removing(watched: BatchWatch, now: datetime | None = None) -> Progress:
        if watched.record.batch_id == BATCH:
            store.remove_batch(BATCH)
        return step(watched, now)

    monkeypatch.setattr(BatchWatch, "step", removing)
    with capture_logs() as logged, working(store) as worker:
        eventually("it is noticed", lambda: [each for each in logged if each["event"] == "a batch was removed"])
        problems = worker.health().problems

    assert problems == ()
    assert [each for each in logged if each["log_level"] == "error"] == []
