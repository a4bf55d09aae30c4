"""One batch between store and pipeline: what is concluded survives restarts, changes and faults."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from alerts.alert import Alert, Kind, Severity
from alerts.probe_rules import DISAGREE
from alerts.settings import AlertSettings
from calibration.fit import fit_curve
from fermentation.estimate import Estimate
from gylewatch import pipeline
from gylewatch.batch_file import read_batch
from gylewatch.tables import read_references
from gylewatch.values import FloatId, Instrument, ProbeReading, Sample, Unit, VesselId
from gylewatch.watch import READINGS_AT_ONCE, BatchWatch
from storage.records import BatchRecord, FloatRecord, VesselRecord
from storage.store import Store
from tests.gylewatch.brew import PITCHED, pale_readings, write_batch, write_references

READINGS = pale_readings(260)
assert len(READINGS) > READINGS_AT_ONCE  # so that catching up takes more than one step


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(f"sqlite:///{tmp_path / 'test.sqlite'}") as opened:
        opened.add_float(FloatRecord(float_id=FloatId("heron"), created=PITCHED))
        opened.add_vessel(VesselRecord(vessel_id=VesselId("FV1"), created=PITCHED))
        points = read_references(write_references(tmp_path))
        opened.add_curve(fit_curve(points), points, who="Ada", note="", created=PITCHED)
        opened.add_batch(read_batch(write_batch(tmp_path)), created=PITCHED)
        yield opened


def record(store: Store) -> BatchRecord:
    return store.batches()[0]


def watch(store: Store) -> BatchWatch:
    return BatchWatch(store, record(store), AlertSettings(), ("phone",))


def follow(watched: BatchWatch) -> None:
    while watched.step().more:
        pass


def estimates(store: Store) -> tuple[Estimate, ...]:
    return store.estimates(record(store).batch_id)


def uninterrupted(store: Store) -> list[Estimate]:
    """What the pure pipeline says of the same readings."""
    batch, curve = record(store).batch, store.current_curve(FloatId("heron"))
    assert curve is not None
    course = pipeline.Course(batch=batch, curve=curve.curve, alert_settings=AlertSettings())
    state, found = pipeline.start(course), []
    for reading in READINGS:
        outcome = pipeline.on_reading(course, state, reading)
        state = outcome.state
        if outcome.estimate is not None:
            found.append(outcome.estimate)
    return found


def test_stored_readings_lead_to_the_estimates_of_the_pure_pipeline(store: Store) -> None:
    store.append_readings(READINGS)

    follow(watch(store))

    assert list(estimates(store)) == uninterrupted(store)


@pytest.mark.parametrize("orderly", [True, False])
def test_a_restart_at_any_point_changes_nothing_and_tells_nothing_twice(store: Store, orderly: bool) -> None:
    for cut in range(0, len(READINGS), 65):
        store.append_readings(READINGS[cut : cut + 65])
        watched = watch(store)
        follow(watched)
        if orderly:
            watched.save()  # otherwise the process was killed

    assert list(estimates(store)) == uninterrupted(store)
    told = [alert.alert.kind for alert in store.alerts(record(store).batch_id)]
    assert told == [Kind.FERMENTATION_STARTED]
    assert store.outbox_counts()["waiting"] == 1


def test_an_alert_of_a_tick_is_saved_with_the_state_that_remembers_it(store: Store) -> None:
    store.append_readings(READINGS[:40])
    watched = watch(store)
    follow(watched)
    late = READINGS[39].time + timedelta(days=1)

    first, again = watched.tick(late), watch(store).tick(late + timedelta(minutes=1))

    assert [alert.kind for alert in first.alerts] == [Kind.FLOAT_SILENT]
    assert again.alerts == ()


def test_a_sample_is_taken_once(store: Store) -> None:
    store.append_readings(READINGS[:100])
    follow(watch(store))
    before = store.latest_estimate(record(store).batch_id)
    assert before is not None
    sample = Sample(
        time=before.time + timedelta(minutes=1),
        instrument=Instrument.DENSITY_METER,
        value=before.gravity_sg + 0.002,
        unit=Unit.SG,
        sample_temperature_c=20.0,
    )
    store.add_sample(record(store).batch_id, sample)

    watched = watch(store)
    taken, nothing = watched.step(), watched.step()

    assert taken.estimate is not None
    assert taken.estimate.gravity_sg > before.gravity_sg
    assert nothing.estimate is None


def test_a_withdrawn_sample_leaves_no_trace_whether_the_watch_runs_or_begins_anew(store: Store) -> None:
    store.append_readings(READINGS[:100])
    batch_id = record(store).batch_id
    follow(watch(store))
    without = estimates(store)
    mistyped = Sample(
        time=without[-1].time + timedelta(minutes=1),
        instrument=Instrument.DENSITY_METER,
        value=without[-1].gravity_sg - 0.015,
        unit=Unit.SG,
        sample_temperature_c=20.0,
    )
    first = store.add_sample(batch_id, mistyped)
    running = watch(store)
    follow(running)
    assert estimates(store) != without

    store.withdraw_sample(batch_id, first, who="Ada", time=READINGS[-1].time)
    running.save()  # the service is stopped before it has looked
    follow(watch(store))
    after_restart = estimates(store)
    store.withdraw_sample(batch_id, store.add_sample(batch_id, mistyped), who="Ada", time=READINGS[-1].time)
    follow(running)

    assert after_restart == without
    assert estimates(store) == without


def test_another_curve_reads_the_batch_again_and_repeats_no_alert(store: Store) -> None:
    store.append_readings(READINGS)
    follow(watch(store))
    before = estimates(store)
    first = store.current_curve(FloatId("heron"))
    assert first is not None
    moved = tuple(replace(point, gravity_sg=point.gravity_sg + 0.001) for point in first.references)
    version = store.add_curve(fit_curve(moved), moved, who="Ada", note="", created=PITCHED)
    store.set_batch_curve(record(store).batch_id, version)

    watched = watch(store)
    watched.read_again()
    follow(watched)

    after = estimates(store)
    assert [estimate.time for estimate in after] == [estimate.time for estimate in before]
    assert after != before
    assert len(store.alerts(record(store).batch_id)) == 1


def test_a_state_of_another_version_reads_the_batch_again(store: Store) -> None:
    store.append_readings(READINGS)
    follow(watch(store))
    store.save_outcomes(record(store).batch_id, state=b"from the future", cursor=7, sample_cursor=0)

    follow(watch(store))

    assert list(estimates(store)) == uninterrupted(store)
    assert len(store.alerts(record(store).batch_id)) == 1


def test_a_changed_plan_goes_on_without_reading_again(store: Store) -> None:
    store.append_readings(READINGS[:100])
    watched = watch(store)
    follow(watched)
    changed = replace(record(store).batch, temperature_c=(15.0, 25.0))

    watched.update(store.replace_batch(record(store), changed))
    store.append_readings(READINGS[100:])
    follow(watched)

    times = [estimate.time for estimate in estimates(store)]
    assert times == [reading.time for reading in READINGS]
    assert watched.record.batch == changed


@pytest.mark.parametrize("restarts", [False, True])
def test_an_original_gravity_that_is_entered_later_counts_from_the_beginning(store: Store, *, restarts: bool) -> None:
    store.append_readings(READINGS)
    known = record(store).batch
    store.replace_batch(record(store), replace(known, original_gravity_sg=None))
    watched = watch(store)
    follow(watched)
    before = list(estimates(store))

    changed = store.replace_batch(record(store), known)
    if restarts:
        watched.save()
        watched = watch(store)
    else:
        watched.update(changed)
    follow(watched)

    assert list(estimates(store)) == uninterrupted(store)
    assert list(estimates(store)) != before


def test_readings_after_the_end_of_a_batch_are_left_alone(store: Store) -> None:
    store.append_readings(READINGS[:50])
    ended = store.end_batch(record(store).batch_id, READINGS[19].time)

    follow(BatchWatch(store, ended, AlertSettings(), ()))

    assert [estimate.time for estimate in estimates(store)] == [reading.time for reading in READINGS[:20]]


def test_an_event_that_breaks_the_model_is_left_out_and_the_rest_goes_on(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.append_readings(READINGS[:30])
    whole = pipeline.on_reading

    def sometimes_broken(course: pipeline.Course, state: pipeline.State, reading: object) -> pipeline.Outcome:
        if reading == READINGS[10]:
            raise ZeroDivisionError
        return whole(course, state, reading)  # type: ignore[arg-type]

    monkeypatch.setattr(pipeline, "on_reading", sometimes_broken)

    follow(watch(store))

    times = [estimate.time for estimate in estimates(store)]
    assert times == [reading.time for reading in READINGS[:30] if reading != READINGS[10]]


def test_a_silence_that_was_told_is_not_told_again_after_the_batch_is_read_again(store: Store) -> None:
    store.append_readings(READINGS[:20])
    watched = watch(store)
    follow(watched)
    late = READINGS[19].time + timedelta(days=5)
    watched.tick(READINGS[19].time + timedelta(days=1))
    store.save_outcomes(record(store).batch_id, state=b"from the future", cursor=7, sample_cursor=0)

    watched = watch(store)
    follow(watched)
    told = watched.tick(late).alerts
    heard = replace(READINGS[19], time=late + timedelta(minutes=5))
    store.append_readings([heard])
    after = watched.step().alerts

    assert told == ()
    silence = [alert.resolves for alert in after if Kind.FLOAT_SILENT in (alert.kind, alert.resolves)]
    assert silence == [Kind.FLOAT_SILENT]
    assert Kind.FLOAT_SILENT not in [each.alert.kind for each in store.open_alerts(record(store).batch_id)]


def test_a_float_heard_before_the_first_tick_ends_the_silence_that_was_told(store: Store) -> None:
    store.append_readings(READINGS[:20])
    watched = watch(store)
    follow(watched)
    watched.tick(READINGS[19].time + timedelta(days=1))
    store.save_outcomes(record(store).batch_id, state=b"from the future", cursor=7, sample_cursor=0)

    watched = watch(store)
    follow(watched)
    store.append_readings([replace(READINGS[19], time=READINGS[19].time + timedelta(days=5))])
    after = watched.step().alerts

    silence = [alert.resolves for alert in after if Kind.FLOAT_SILENT in (alert.kind, alert.resolves)]
    assert silence == [Kind.FLOAT_SILENT]
    assert Kind.FLOAT_SILENT not in [each.alert.kind for each in store.open_alerts(record(store).batch_id)]


def test_a_silence_that_is_over_when_it_is_found_is_kept_and_not_told(store: Store) -> None:
    gap = timedelta(hours=20)
    store.append_readings([*READINGS[:20], *(replace(each, time=each.time + gap) for each in READINGS[20:24])])

    follow(watch(store))

    kept = [(each.alert.kind, each.alert.resolves) for each in store.alerts(record(store).batch_id)]
    assert kept == [(Kind.FLOAT_SILENT, None), (Kind.FLOAT_SILENT, Kind.FLOAT_SILENT)]
    assert store.outbox_counts()["waiting"] == 0


def test_a_clock_that_was_years_ahead_spoils_nothing_once_it_is_back(store: Store) -> None:
    store.append_readings(READINGS[:100])
    watched = watch(store)
    follow(watched)
    store.append_readings([replace(READINGS[100], time=READINGS[100].time + timedelta(days=4000))])
    store.append_readings(READINGS[101:])
    follow(watched)

    now, doubts = READINGS[-1].time, []
    for minutes in (0, 5, 10):
        watched.mind_clock(now + timedelta(minutes=minutes))
        doubts.append(watched.clock_doubt)
        while watched.step(now + timedelta(minutes=minutes)).more:
            pass

    assert doubts[0] is not None
    # Told while nobody knows which of the two is right, in one sentence.
    assert "a reading or sample is of 2037-" in doubts[0]
    assert doubts == [doubts[0], doubts[0], None]
    assert [estimate.time for estimate in estimates(store)] == [
        reading.time for reading in READINGS if reading != READINGS[100]
    ]


def test_a_clock_that_is_behind_for_a_moment_after_a_start_changes_nothing(store: Store) -> None:
    store.append_readings(READINGS)
    watched = watch(store)
    follow(watched)
    before = estimates(store)

    for now in (PITCHED, PITCHED + timedelta(minutes=2), READINGS[-1].time):
        watched.mind_clock(now)
        watched.step(now)

    assert estimates(store) == before


def test_readings_left_out_under_a_clock_that_was_behind_are_taken_when_it_is_right(store: Store) -> None:
    store.append_readings(READINGS)
    watched = watch(store)
    follow(watched)
    before = estimates(store)

    told = store.alerts(record(store).batch_id)

    for now in (PITCHED, PITCHED + timedelta(minutes=15), READINGS[-1].time):
        watched.mind_clock(now)
        while watched.step(now).more:
            pass

    assert estimates(store) == before
    assert store.alerts(record(store).batch_id) == told


@pytest.mark.parametrize("restarted", [False, True])
def test_an_alert_of_a_clock_that_was_ahead_is_over_with_the_first_tick(store: Store, restarted: bool) -> None:
    store.append_readings(READINGS)
    watched = watch(store)
    follow(watched)
    batch_id = record(store).batch_id
    store.save_outcomes(batch_id, alerts=[suspect(9000)], state=b"from the future", cursor=7, sample_cursor=0)
    now = READINGS[-1].time

    watched = watch(store)
    while watched.step(now).more:
        pass
    watched = watch(store) if restarted else watched
    told = watched.tick(now + timedelta(minutes=1)).alerts

    assert [alert.resolves for alert in told] == [Kind.CALIBRATION_SUSPECT]
    assert watch(store).tick(now + timedelta(minutes=2)).alerts == ()


def probe_readings(off_c: float, until_h: float = 60.0) -> list[ProbeReading]:
    """A probe in the vessel that reports four times an hour, `off_c` from the float."""
    return [
        ProbeReading(
            time=reading.time, probe="well", vessel=VesselId("FV1"), temperature_c=reading.temperature_c + off_c
        )
        for reading in READINGS
        if (reading.time - PITCHED).total_seconds() < until_h * 3600
    ]


def disagreements(store: Store) -> list[Alert]:
    found = (stored.alert for stored in store.alerts(record(store).batch_id))
    return [alert for alert in found if alert.cause == DISAGREE]


def test_a_probe_that_disagrees_with_the_float_is_told_once_in_spite_of_restarts(store: Store) -> None:
    store.append_probe_readings(probe_readings(-3.0))
    for cut in range(0, len(READINGS), 40):
        store.append_readings(READINGS[cut : cut + 40])
        watched = watch(store)
        follow(watched)
        watched.save()

    (alert,) = disagreements(store)
    assert alert.kind is Kind.CALIBRATION_SUSPECT
    assert alert.evidence["difference_c"] == pytest.approx(3.0, abs=0.1)


def test_when_the_probes_readings_came_makes_no_difference(store: Store) -> None:
    """All at once before the float's, or in turn with them; the probe's own rows are read in small parts."""
    store.append_readings(READINGS[:60])
    store.append_probe_readings(probe_readings(-3.0))
    watched = watch(store)
    follow(watched)
    store.append_readings(READINGS[60:])
    follow(watched)
    one = disagreements(store)

    watched.read_again()
    follow(watched)

    assert one != []
    assert disagreements(store) == one  # told once, also when the batch was read again


def test_a_probe_stamped_while_the_clock_was_ahead_silences_none_of_its_true_readings(store: Store) -> None:
    heard = probe_readings(-3.0)
    store.append_readings(READINGS[:20])
    store.append_probe_readings([*heard[:20], replace(heard[19], time=heard[19].time + timedelta(days=900))])
    watched = watch(store)
    follow(watched)
    store.append_probe_readings(heard[20:])
    store.append_readings(READINGS[20:])

    for minutes in (0, 5, 10, 15):
        now = READINGS[-1].time + timedelta(minutes=minutes)
        watched.mind_clock(now)
        while watched.step(now).more:
            pass

    assert [alert.resolves for alert in disagreements(store)][:1] == [None]


def test_a_probe_changes_no_estimate(store: Store) -> None:
    store.append_readings(READINGS)
    store.append_probe_readings(probe_readings(-3.0))

    follow(watch(store))

    assert list(estimates(store)) == uninterrupted(store)


def test_a_probe_from_before_pitching_or_in_another_vessel_is_not_compared(store: Store) -> None:
    elsewhere = [replace(each, vessel=VesselId("FV2")) for each in probe_readings(-3.0)]
    before = [replace(each, probe="old", time=each.time - timedelta(days=60)) for each in probe_readings(-3.0)]
    store.append_readings(READINGS)
    store.append_probe_readings([*elsewhere, *before])

    follow(watch(store))

    assert disagreements(store) == []


def suspect(hours: float) -> Alert:
    """An alert about the curve that the readings alone give no reason for."""
    return Alert(
        time=READINGS[0].time + timedelta(hours=hours),
        kind=Kind.CALIBRATION_SUSPECT,
        severity=Severity.WARNING,
        summary="Hand samples differ from the curve.",
        evidence={},
    )


def test_an_open_alert_that_is_not_found_again_is_over_once_and_is_told_so(store: Store) -> None:
    store.append_readings(READINGS)
    watched = watch(store)
    follow(watched)
    batch_id = record(store).batch_id
    store.save_outcomes(batch_id, alerts=[suspect(2)], channels=["phone"])

    watched.read_again()
    follow(watched)
    follow(watched)

    (end,) = [each.alert for each in store.alerts(batch_id) if each.alert.resolves is Kind.CALIBRATION_SUSPECT]
    assert "read again" in end.summary
    assert end.time == READINGS[-1].time
    assert Kind.CALIBRATION_SUSPECT not in [each.alert.kind for each in store.open_alerts(batch_id)]
    assert [each.message.time for each in store.outbox_due(end.time, 100)][-2:] == [suspect(2).time, end.time]
    assert len(store.open_alerts(batch_id)) == 1  # that the fermentation has started was found again


def test_a_silence_that_is_not_found_again_is_over_with_the_first_tick(store: Store) -> None:
    store.append_readings(READINGS[:20])
    watched = watch(store)
    follow(watched)
    watched.tick(READINGS[19].time + timedelta(days=1))
    store.append_readings(READINGS[20:30])

    watched.read_again()
    follow(watched)
    told = watched.tick(READINGS[29].time + timedelta(minutes=1)).alerts

    assert [alert.resolves for alert in told] == [Kind.FLOAT_SILENT]
    assert store.open_alerts(record(store).batch_id) == ()


def test_a_kill_while_a_batch_is_read_again_tells_nothing_twice(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gylewatch.watch.READINGS_AT_ONCE", 50)
    store.append_readings(READINGS)
    watched = watch(store)
    follow(watched)
    batch_id = record(store).batch_id
    store.save_outcomes(batch_id, alerts=[suspect(2)], channels=["phone"])
    watched.read_again()
    assert watched.step().more

    follow(watch(store))  # nothing but the store remembers

    assert list(estimates(store)) == uninterrupted(store)
    told = [(each.alert.kind, each.alert.resolves) for each in store.alerts(batch_id)]
    assert len(told) == len(set(told))
    assert (Kind.CALIBRATION_SUSPECT, Kind.CALIBRATION_SUSPECT) in told


def test_an_open_alert_that_is_found_again_days_later_is_not_told_twice(store: Store) -> None:
    store.append_readings(READINGS)
    batch_id = record(store).batch_id
    told = replace(suspect(-60), kind=Kind.FERMENTATION_STARTED)
    store.save_outcomes(batch_id, alerts=[told], channels=["phone"])

    follow(watch(store))

    assert [each.alert for each in store.alerts(batch_id)] == [told]


@pytest.mark.parametrize("orderly", [True, False])
def test_a_silence_that_was_told_is_not_told_again_if_the_service_stops_before_the_first_tick(
    store: Store, orderly: bool
) -> None:
    store.append_readings(READINGS[:20])
    watched = watch(store)
    follow(watched)
    watched.tick(READINGS[19].time + timedelta(days=1))
    store.save_outcomes(record(store).batch_id, state=b"from the future", cursor=7, sample_cursor=0)
    watched = watch(store)
    follow(watched)
    if orderly:
        watched.save()  # otherwise the process was killed

    watched = watch(store)
    follow(watched)
    told = watched.tick(READINGS[19].time + timedelta(days=5)).alerts
    store.append_readings([replace(READINGS[19], time=READINGS[19].time + timedelta(days=6))])
    after = watched.step().alerts

    assert told == ()
    silence = [alert.resolves for alert in after if Kind.FLOAT_SILENT in (alert.kind, alert.resolves)]
    assert silence == [Kind.FLOAT_SILENT]


def test_what_stands_again_when_a_batch_is_read_again_is_open_and_told(store: Store) -> None:
    store.append_readings(READINGS)
    follow(watch(store))
    batch_id = record(store).batch_id
    (started,) = (each.alert for each in store.alerts(batch_id))
    over = replace(started, time=started.time + timedelta(hours=1), resolves=started.kind)
    store.save_outcomes(batch_id, alerts=[over], state=b"from the future", cursor=7, sample_cursor=0)

    watched = watch(store)
    follow(watched)
    follow(watched)

    (again,) = (each.alert for each in store.open_alerts(batch_id))
    assert again == replace(started, time=READINGS[-1].time)
    assert [each.message.time for each in store.outbox_due(again.time, 100)] == [started.time, again.time]
    follow(watch(store))
    assert len(store.alerts(batch_id)) == 3


@pytest.mark.parametrize("at_once", [50, 500])
def test_an_end_found_before_the_beginning_on_record_leaves_nothing_open(
    store: Store, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    monkeypatch.setattr("gylewatch.watch.READINGS_AT_ONCE", at_once)
    gap = timedelta(hours=20)
    store.append_readings([*READINGS[:20], *(replace(each, time=each.time + gap) for each in READINGS[20:24])])
    batch_id = record(store).batch_id
    told = replace(suspect(30), kind=Kind.FLOAT_SILENT, time=READINGS[23].time + gap - timedelta(minutes=1))
    store.save_outcomes(batch_id, alerts=[told], channels=["phone"])

    watched = watch(store)
    follow(watched)
    watched.tick(READINGS[23].time + gap + timedelta(minutes=1))

    assert store.open_alerts(batch_id) == ()
