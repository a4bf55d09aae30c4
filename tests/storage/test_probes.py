"""What a vessel's own probe reported: kept once, read by vessel."""

from __future__ import annotations

from dataclasses import replace

import pytest

from alerts.alert import Alert, Kind, Severity
from gylewatch.values import BatchId, ProbeReading, VesselId
from storage.store import Store
from tests.storage.examples import PITCHED, at, batch

FV1, FV2 = VesselId("FV1"), VesselId("FV2")


def heard(minutes: float, vessel: VesselId = FV1, probe: str = "well") -> ProbeReading:
    return ProbeReading(time=at(minutes), probe=probe, vessel=vessel, temperature_c=19.0 + minutes / 100)


def suspect(cause: str, *, ends: bool = False, minutes: float = 10) -> Alert:
    kind = Kind.CALIBRATION_SUSPECT
    resolves = kind if ends else None
    return Alert(
        time=at(minutes),
        kind=kind,
        severity=Severity.WARNING,
        summary=cause,
        evidence={},
        resolves=resolves,
        cause=cause,
    )


def test_readings_come_back_in_order_of_time_and_a_repeat_changes_nothing(store: Store) -> None:
    assert store.append_probe_readings([heard(20), heard(10)]) == 2
    assert store.append_probe_readings([heard(20), heard(30)]) == 1
    assert store.append_probe_readings([]) == 0

    assert store.probe_readings(FV1) == (heard(10), heard(20), heard(30))
    assert store.probe_readings(FV1, since=at(10), until=at(30), limit=1) == (heard(20),)


def test_a_probe_that_moved_leaves_its_readings_with_the_former_vessel(store: Store) -> None:
    store.append_probe_readings([heard(10), heard(20, FV2)])

    assert store.probe_readings(FV1) == (heard(10),)
    assert store.probe_readings(FV2) == (heard(20, FV2),)


def test_what_arrived_after_a_row_is_read_in_order_of_arrival(store: Store) -> None:
    store.append_probe_readings([heard(20), heard(10), heard(30, FV2), heard(40)])

    first = store.probe_readings_after(FV1, 0, 2)
    rest = store.probe_readings_after(FV1, first[-1][0], 2)

    assert [each for _, each in first] == [heard(20), heard(10)]
    assert [each for _, each in rest] == [heard(40)]
    assert [each for _, each in store.probe_readings_after(FV1, 0, 9, since=at(15))] == [heard(20), heard(40)]


def test_old_readings_are_pruned_but_for_those_of_an_active_batch(store: Store) -> None:
    store.add_vessel(replace(store.vessels()[0], vessel_id=FV2))
    store.add_batch(batch(), created=PITCHED)  # in FV1
    store.append_probe_readings([heard(-10), heard(10), heard(10, FV2, "other"), heard(90, FV2, "other")])

    assert store.prune(at(60)) == 2
    assert store.probe_readings(FV1) == (heard(10),)
    assert store.probe_readings(FV2) == (heard(90, FV2, "other"),)


def test_two_causes_of_one_kind_are_open_beside_each_other_and_end_one_by_one(store: Store) -> None:
    batch_id: BatchId = store.add_batch(batch(), created=PITCHED).batch_id
    store.save_outcomes(batch_id, alerts=[suspect(""), suspect("other")], channels=["phone"])

    store.save_outcomes(batch_id, alerts=[suspect("other", ends=True, minutes=20)], channels=["phone"])

    assert [record.alert.cause for record in store.open_alerts(batch_id)] == [""]
    due = store.outbox_due(at(60), 10)
    assert [each.standing.over for each in due] == [False, True, False]
    beginning = store.outbox_beginning(due[2].id)
    store.outbox_left_out(due[1].id, at(60), reason="")
    assert store.outbox_beginning(due[2].id) != beginning  # it is that of its own cause


def test_the_course_of_a_probe_is_thinned_but_keeps_its_extremes_and_both_sides_of_a_silence(store: Store) -> None:
    readings = [heard(minute) for minute in (*range(600), *range(1200, 1800))]
    readings[77] = replace(readings[77], temperature_c=3.0)
    readings[900] = replace(readings[900], temperature_c=44.0)
    store.append_probe_readings([*readings, heard(5, FV2, "other")])

    course = store.probe_course(FV1, at_most=100)

    assert len(course.readings) <= 100
    assert list(course.readings) == sorted(course.readings, key=lambda reading: reading.time)
    assert {readings[place] for place in (0, 77, 599, 600, 900, -1)} <= set(course.readings) <= set(readings)
    assert course.gaps == ((at(599), at(1200)),)


def test_few_readings_of_a_probe_are_all_in_its_course(store: Store) -> None:
    store.append_probe_readings([heard(10), heard(20), heard(30)])

    assert store.probe_course(FV1, at_most=4, since=at(15), until=at(30)).readings == (heard(20),)
    assert store.probe_course(FV2, at_most=4).readings == ()
    with pytest.raises(ValueError, match="4 or more"):
        store.probe_course(FV1, at_most=3)
