"""Hand samples that are entered when later readings are taken already: each counts as of the time it was drawn."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from alerts.alert import Kind
from alerts.settings import AlertSettings
from gylewatch import replay
from gylewatch.rehearsing import rehearse
from gylewatch.values import Instrument, Reading, Sample, Unit
from gylewatch.watch import BatchWatch
from storage.store import Store
from tests.gylewatch.brew import PITCHED, SAMPLES_HEADER, iso, pale_readings, recording
from tests.gylewatch.live import BATCH, watch

READINGS = pale_readings(180)
NOW = READINGS[-1].time + timedelta(minutes=1)

pytestmark = pytest.mark.usefixtures("small_pages")


def follow(watched: BatchWatch) -> None:
    while watched.step(NOW).more:
        pass


def drawn(after: int, value: float) -> Sample:
    """A sample of a minute after a reading, which is never the time of another."""
    return Sample(
        time=READINGS[after].time + timedelta(minutes=1),
        instrument=Instrument.HYDROMETER,
        value=value,
        unit=Unit.SG,
        sample_temperature_c=19.0,
    )


FIRST, SECOND = drawn(110, 1.0455), drawn(150, 1.0365)  # each two points off what the float says


def row(sample: Sample) -> str:
    return f"{iso(sample.time)},{sample.instrument},{sample.value},{sample.unit},{sample.sample_temperature_c}"


def replayed(tmp_path: Path, samples: Sequence[Sample], readings: Sequence[Reading] = READINGS) -> list[str]:
    """The rows of a replay of the same readings and samples."""
    folder = tmp_path / "replay"
    folder.mkdir(exist_ok=True)
    brew = recording(folder, len(readings))
    (folder / "samples.csv").write_text("\n".join((SAMPLES_HEADER, *map(row, samples))) + "\n")
    inputs = replay.load(
        readings=brew.readings(),
        references=brew.references,
        batch=brew.batch,
        samples=folder / "samples.csv",
        alert_settings=AlertSettings(),
    )
    estimates = io.StringIO()
    replay.run(inputs, estimates=estimates, alerts=io.StringIO())
    return estimates.getvalue().splitlines()[1:]


def believed(store: Store, samples: Sequence[Sample]) -> list[str]:
    """The rows of what was concluded from readings; a replay gives none for a sample."""
    measured: set[datetime] = {sample.time for sample in samples}
    return [replay.estimate_row(each) for each in store.estimates(BATCH) if each.time not in measured]


def in_time(store: Store) -> None:
    store.append_readings(READINGS[:111])
    watched = watch(store)
    follow(watched)
    store.add_sample(BATCH, FIRST)
    follow(watched)
    store.append_readings(READINGS[111:151])
    follow(watched)
    store.add_sample(BATCH, SECOND)
    follow(watched)
    store.append_readings(READINGS[151:])
    follow(watched)


def minutes_late(store: Store) -> None:
    store.append_readings(READINGS[:112])
    watched = watch(store)
    follow(watched)
    store.add_sample(BATCH, FIRST)
    follow(watched)
    store.append_readings(READINGS[112:153])
    follow(watched)
    store.add_sample(BATCH, SECOND)
    store.append_readings(READINGS[153:])
    follow(watched)


def entered_behind_all_readings(store: Store, *samples: Sample) -> None:
    store.append_readings(READINGS)
    watched = watch(store)
    follow(watched)
    for sample in samples:
        store.add_sample(BATCH, sample)
        follow(watched)


def days_late(store: Store) -> None:
    entered_behind_all_readings(store, FIRST, SECOND)


def the_later_one_first(store: Store) -> None:
    entered_behind_all_readings(store, SECOND, FIRST)


def the_later_one_first_before_any_reading(store: Store) -> None:
    for sample in (SECOND, FIRST):
        store.add_sample(BATCH, sample)
    store.append_readings(READINGS)
    follow(watch(store))


def the_later_one_first_and_no_reading_between(store: Store) -> None:
    store.append_readings(READINGS[:111])
    watched = watch(store)
    follow(watched)
    store.append_readings(READINGS[111:])
    store.add_sample(BATCH, SECOND)
    store.add_sample(BATCH, FIRST)
    follow(watched)


def while_the_batch_is_read_again(store: Store) -> None:
    store.append_readings(READINGS)
    watched = watch(store)
    follow(watched)
    store.add_sample(BATCH, SECOND)
    watched.step(NOW)
    watched.step(NOW)
    store.add_sample(BATCH, FIRST)
    follow(watched)


def while_the_batch_is_read_again_and_readings_come(store: Store) -> None:
    store.append_readings(READINGS[:120])
    watched = watch(store)
    follow(watched)
    store.add_sample(BATCH, FIRST)
    watched.step(NOW)
    store.append_readings(READINGS[120:])
    store.add_sample(BATCH, SECOND)
    follow(watched)


def killed_before_it_is_read_again(store: Store) -> None:
    store.append_readings(READINGS)
    follow(watch(store))
    store.add_sample(BATCH, SECOND)
    store.add_sample(BATCH, FIRST)
    watch(store).step(NOW)  # the first page of it
    follow(watch(store))


@pytest.mark.parametrize(
    "entered",
    [
        in_time,
        minutes_late,
        days_late,
        the_later_one_first,
        the_later_one_first_before_any_reading,
        the_later_one_first_and_no_reading_between,
        while_the_batch_is_read_again,
        while_the_batch_is_read_again_and_readings_come,
        killed_before_it_is_read_again,
    ],
)
def test_when_a_sample_is_entered_makes_no_difference(
    store: Store, tmp_path: Path, entered: Callable[[Store], None]
) -> None:
    entered(store)

    assert believed(store, [FIRST, SECOND]) == replayed(tmp_path, [FIRST, SECOND])


def test_killed_while_it_is_read_again_nothing_of_before_stays_though_nothing_was_told_yet(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gylewatch.watch.READINGS_AT_ONCE", 10)
    early, readings = drawn(15, 1.044), READINGS[:28]
    store.append_readings(readings)
    follow(watch(store))
    assert store.alerts(BATCH) == ()

    store.add_sample(BATCH, early)
    watch(store).step(NOW)
    follow(watch(store))

    assert believed(store, [early]) == replayed(tmp_path, [early], readings)


def test_old_samples_that_are_entered_one_by_one_do_not_each_begin_it_anew(store: Store) -> None:
    store.append_readings(READINGS)
    watched = watch(store)
    follow(watched)

    with capture_logs() as logged:
        for after in (170, 150, 110, 90, 130):  # a page of 40 readings for each
            store.add_sample(BATCH, drawn(after, 1.0455))
            watched.step(NOW)

    assert [each["event"] for each in logged] == ["reading a batch again, as a sample was entered late"] * 2


def test_a_corrected_sample_counts_as_if_the_right_one_had_been_entered_at_once(store: Store, tmp_path: Path) -> None:
    store.append_readings(READINGS)
    watched = watch(store)
    mistyped = store.add_sample(BATCH, drawn(110, 1.026))
    follow(watched)

    store.withdraw_sample(BATCH, mistyped, who="Ada", time=NOW)
    store.add_sample(BATCH, FIRST)
    follow(watched)

    assert believed(store, [FIRST]) == replayed(tmp_path, [FIRST])


def test_what_was_told_before_a_sample_was_entered_is_not_told_again(store: Store) -> None:
    store.append_readings(READINGS)
    watched = watch(store)
    follow(watched)
    before = store.alerts(BATCH)

    store.add_sample(BATCH, FIRST)
    follow(watched)

    assert [each.alert.kind for each in before] == [Kind.FERMENTATION_STARTED]
    assert store.alerts(BATCH) == before
    assert store.outbox_counts()["waiting"] == 1


def test_a_sample_from_before_pitching_has_nothing_read_again(store: Store) -> None:
    store.append_readings(READINGS)
    watched = watch(store)
    follow(watched)
    before = store.state(BATCH)
    early = Sample(
        time=PITCHED - timedelta(hours=1),
        instrument=Instrument.HYDROMETER,
        value=1.05,
        unit=Unit.SG,
        sample_temperature_c=19.0,
    )

    store.add_sample(BATCH, early)
    progress = watched.step(NOW)

    assert not progress.more
    assert store.state(BATCH) == before
    assert len(store.estimates(BATCH)) == len(READINGS)


def test_a_sample_that_cannot_be_this_beer_s_is_left_out_as_in_the_replay(
    store: Store, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = drawn(130, 1.085)  # of another beer: more than 15 points above the original gravity
    for sample in (FIRST, other):
        store.add_sample(BATCH, sample)
    store.append_readings(READINGS)

    follow(watch(store))

    assert believed(store, [FIRST]) == replayed(tmp_path, [FIRST, other]) == replayed(tmp_path, [FIRST])
    said = capsys.readouterr().out
    assert "lies far above the original gravity" in said
    assert "Traceback" not in said


def test_a_rehearsal_leaves_it_out_too(store: Store) -> None:
    store.append_readings(READINGS)
    store.add_sample(BATCH, drawn(130, 1.085))

    found = rehearse(store, store.batch(BATCH), AlertSettings(), now=NOW)

    assert found.readings == len(READINGS)


def test_readings_that_come_after_a_sample_was_drawn_later_are_late(store: Store, tmp_path: Path) -> None:
    store.append_readings(READINGS[:80])
    watched = watch(store)
    follow(watched)
    store.add_sample(BATCH, FIRST)  # because the network was away
    follow(watched)
    store.append_readings(READINGS[80:])

    for minutes in (0, 1, 12):
        watched.mind_late_readings(NOW + timedelta(minutes=minutes))
        follow(watched)

    assert believed(store, [FIRST]) == replayed(tmp_path, [FIRST])


@pytest.mark.parametrize("restarts", [False, True])
def test_a_sample_that_was_entered_while_the_clock_was_ahead_waits_for_its_time(
    store: Store, tmp_path: Path, capsys: pytest.CaptureFixture[str], *, restarts: bool
) -> None:
    ahead = drawn(150, 1.0365)
    store.append_readings(READINGS[:111])
    watched = watch(store)
    follow(watched)
    store.add_sample(BATCH, ahead)
    watched.step(ahead.time)  # the clock says so

    for reading in READINGS[111:]:  # and then the truth
        store.append_readings([reading])
        watched.mind_clock(reading.time)
        while watched.step(reading.time).more:
            pass
        if restarts and reading == READINGS[130]:
            watched.save()
            watched = watch(store)

    assert believed(store, [ahead]) == replayed(tmp_path, [ahead])
    assert capsys.readouterr().out.count("the clock was ahead") == 1


def test_while_a_batch_is_read_again_no_estimate_of_the_past_is_told_or_found(store: Store) -> None:
    store.append_readings(READINGS)
    watched = watch(store)
    follow(watched)
    store.add_sample(BATCH, FIRST)

    told, found = [], []
    more = True
    while more:
        found.append((store.latest_estimate(BATCH), len(store.estimates(BATCH))))
        progress = watched.step(NOW)
        more = progress.more
        told.append(progress.estimate)

    assert told[:-1] == [None] * (len(told) - 1)
    assert len(told) > 3
    assert told[-1] == store.latest_estimate(BATCH)
    assert {newest.time for newest, _ in found if newest} == {READINGS[-1].time}
    assert min(count for _, count in found) == len(READINGS)  # the picture stays whole
