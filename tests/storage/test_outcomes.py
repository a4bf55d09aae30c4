from __future__ import annotations

from datetime import datetime

import pytest

from alerts.alert import Kind
from gylewatch.errors import NotFound
from gylewatch.values import BatchId
from storage.records import StateRecord
from storage.store import Store
from tests.storage.examples import alert, at, batch, estimate, float_record, vessel_record

STARTED = Kind.FERMENTATION_STARTED
SILENT = Kind.FLOAT_SILENT


@pytest.fixture
def batch_id(store: Store) -> BatchId:
    return store.add_batch(batch(), created=at(0)).batch_id


def test_estimates_come_back_as_they_went_in_with_and_without_forecast(store: Store, batch_id: BatchId) -> None:
    store.save_outcomes(batch_id, estimates=[estimate(0, forecast=False), estimate(1)])

    assert store.estimates(batch_id) == (estimate(0, forecast=False), estimate(1))
    assert store.latest_estimate(batch_id) == estimate(1)


def test_an_estimate_of_the_same_time_stays_as_it_is(store: Store, batch_id: BatchId) -> None:
    store.save_outcomes(batch_id, estimates=[estimate(0, gravity_sg=1.0400)])

    store.save_outcomes(batch_id, estimates=[estimate(0, gravity_sg=1.0100), estimate(1)])

    assert [item.gravity_sg for item in store.estimates(batch_id)] == [1.0400, 1.0312]


def test_estimates_can_be_asked_for_by_period_and_number(store: Store, batch_id: BatchId) -> None:
    store.save_outcomes(batch_id, estimates=[estimate(minutes) for minutes in range(5)])

    assert [item.time for item in store.estimates(batch_id, since=at(1), until=at(4), limit=2)] == [at(2), at(3)]


def test_a_batch_without_estimates_has_no_latest(store: Store, batch_id: BatchId) -> None:
    assert store.latest_estimate(batch_id) is None
    assert store.state(batch_id) is None


def test_a_batch_with_an_estimate_is_believed_to_be_something_also_after_its_end(
    store: Store, batch_id: BatchId
) -> None:
    before = store.believed()
    store.save_outcomes(batch_id, estimates=[estimate(1)])
    active = store.believed()
    store.end_batch(batch_id, at(9))

    assert (before, active, store.believed()) == ({}, {batch_id: None}, {batch_id: at(9)})


def test_the_latest_estimates_of_many_batches_come_in_one_answer(store: Store, batch_id: BatchId) -> None:
    stout, mild = batch("Quay Stout", float_id="wren", vessel="FV2"), batch("Pier Mild", float_id="lark", vessel="FV3")
    other = store.add_batch(stout, created=at(0), new=[vessel_record("FV2")]).batch_id
    third = store.add_batch(mild, created=at(0), new=[float_record("lark"), vessel_record("FV3")]).batch_id
    store.save_outcomes(batch_id, estimates=[estimate(1), estimate(0)])
    store.save_outcomes(other, estimates=[estimate(7)])

    assert store.latest_estimates([batch_id, other, third]) == {batch_id: estimate(1), other: estimate(7)}
    assert store.latest_estimates([other]) == {other: estimate(7)}
    assert store.latest_estimates([]) == {}


def test_an_alert_is_saved_once_and_its_end_is_another_alert(store: Store, batch_id: BatchId) -> None:
    raised, ended = alert(5, SILENT), alert(5, SILENT, resolves=SILENT)

    first = store.save_outcomes(batch_id, alerts=[raised, ended], channels=["mail"])
    again = store.save_outcomes(batch_id, alerts=[raised, ended, alert(9, SILENT)], channels=["mail"])

    assert [record.alert for record in first] == [raised, ended]
    assert [record.alert for record in again] == [alert(9, SILENT)]
    assert [record.alert for record in store.alerts(batch_id)] == [raised, ended, alert(9, SILENT)]
    assert [record.alert for record in store.alerts(batch_id, limit=1)] == [alert(9, SILENT)]


def test_open_alerts_are_those_raised_and_not_ended(store: Store, batch_id: BatchId) -> None:
    store.save_outcomes(
        batch_id,
        alerts=[alert(1, STARTED), alert(2, SILENT), alert(3, SILENT, resolves=SILENT), alert(4, Kind.BATTERY_LOW)],
    )
    assert [record.alert.kind for record in store.open_alerts(batch_id)] == [STARTED, Kind.BATTERY_LOW]

    store.save_outcomes(batch_id, alerts=[alert(6, SILENT)])

    assert {record.alert.kind for record in store.open_alerts(batch_id)} == {STARTED, SILENT, Kind.BATTERY_LOW}


def test_an_alert_that_ends_and_comes_again_is_open_as_the_last_one(store: Store, batch_id: BatchId) -> None:
    again = [alert(2, SILENT), alert(3, SILENT, resolves=SILENT), alert(6, SILENT), alert(9, SILENT)]
    store.save_outcomes(batch_id, alerts=again)

    assert [record.alert for record in store.open_alerts(batch_id)] == [alert(9, SILENT)]


def test_an_alert_that_ends_in_the_moment_it_was_raised_is_not_open(store: Store, batch_id: BatchId) -> None:
    store.save_outcomes(batch_id, alerts=[alert(5, SILENT), alert(5, SILENT, resolves=SILENT)])

    assert store.open_alerts(batch_id) == ()


def test_open_alerts_of_many_batches_come_in_one_answer(store: Store, batch_id: BatchId) -> None:
    stout = batch("Quay Stout", float_id="wren", vessel="FV2")
    other = store.add_batch(stout, created=at(0), new=[vessel_record("FV2")]).batch_id
    store.save_outcomes(batch_id, alerts=[alert(1, STARTED), alert(2, SILENT), alert(3, SILENT, resolves=SILENT)])
    store.save_outcomes(other, alerts=[alert(2, SILENT)])

    found = store.open_alerts_of([batch_id, other])

    assert {name: [record.alert for record in records] for name, records in found.items()} == {
        batch_id: [alert(1, STARTED)],
        other: [alert(2, SILENT)],
    }
    assert found[batch_id] == store.open_alerts(batch_id)
    assert store.open_alerts_of([]) == {}


def test_each_new_alert_goes_into_the_outbox_once_for_each_channel(store: Store, batch_id: BatchId) -> None:
    store.save_outcomes(batch_id, alerts=[alert(1)], channels=["mail", "mqtt", "mail"])
    store.save_outcomes(batch_id, alerts=[alert(1), alert(2, SILENT)], channels=["mail"])

    waiting = [(record.channel, record.message.time) for record in store.outbox_due(at(0), 10)]
    assert waiting == [("mail", at(1)), ("mqtt", at(1)), ("mail", at(2))]


def test_state_and_cursors_are_replaced_one_by_one(store: Store, batch_id: BatchId) -> None:
    store.save_outcomes(batch_id, state=b"\x00one", cursor=17)
    store.save_outcomes(batch_id, state=b"two", sample_cursor=3)
    assert store.state(batch_id) == StateRecord(state=b"two", cursor=17, sample_cursor=3)

    store.save_outcomes(batch_id, cursor=18)

    assert store.state(batch_id) == StateRecord(state=b"two", cursor=18, sample_cursor=3)


def test_when_one_part_of_the_outcomes_fails_none_is_saved(store: Store, batch_id: BatchId) -> None:
    with pytest.raises(ValueError, match="a cursor needs a state"):
        store.save_outcomes(batch_id, estimates=[estimate(0)], alerts=[alert(0)], channels=["mail"], cursor=5)

    assert store.estimates(batch_id) == ()
    assert store.alerts(batch_id) == ()
    assert store.outbox_due(at(0), 10) == ()


def test_a_batch_can_be_read_again_from_the_start_without_telling_twice(store: Store, batch_id: BatchId) -> None:
    store.save_outcomes(batch_id, estimates=[estimate(0)], alerts=[alert(0)], state=b"x", cursor=9, channels=["mail"])

    store.forget_estimates(batch_id)
    new = store.save_outcomes(batch_id, alerts=[alert(0)], channels=["mail"])

    assert (store.estimates(batch_id), store.state(batch_id), new) == ((), None, ())
    assert len(store.outbox_due(at(0), 10)) == 1


def test_a_state_can_be_dropped_alone(store: Store, batch_id: BatchId) -> None:
    store.save_outcomes(batch_id, estimates=[estimate(0)], state=b"x", cursor=9)

    store.forget_state(batch_id)

    assert (store.estimates(batch_id), store.state(batch_id)) == ((estimate(0),), None)


def test_an_alert_remembers_who_acknowledged_it_and_how_long_it_sleeps(store: Store, batch_id: BatchId) -> None:
    (record,) = store.save_outcomes(batch_id, alerts=[alert(1)])

    store.acknowledge_alert(record.id, who="Ada", time=at(2))
    store.snooze_alert(record.id, until=at(60))

    (kept,) = store.alerts(batch_id)
    assert (kept.acknowledged_by, kept.acknowledged_at, kept.snoozed_until) == ("Ada", at(2), at(60))
    with pytest.raises(NotFound, match="no alert is called '999'"):
        store.snooze_alert(999, until=None)


@pytest.mark.parametrize(
    ("anew", "left"),
    [(None, [0, 15, 30, 45]), ((at(0), at(30)), [0, 15, 45]), ((at(15), None), [0, 15]), ((None, None), [15])],
)
def test_estimates_of_before_give_way_to_new_ones_of_the_same_period(
    store: Store, batch_id: BatchId, anew: tuple[datetime | None, datetime | None] | None, left: list[float]
) -> None:
    store.save_outcomes(batch_id, estimates=[estimate(minutes) for minutes in (0, 15, 30, 45)])

    store.save_outcomes(batch_id, estimates=[estimate(15)], anew=anew)

    assert [each.time for each in store.estimates(batch_id)] == [at(minutes) for minutes in left]
