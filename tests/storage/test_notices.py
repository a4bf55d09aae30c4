from __future__ import annotations

from dataclasses import replace

from alerts.alert import Kind, Severity
from alerts.engine import REPLACED
from alerts.notice import Beginning, ServiceNotice, Standing, digest_cause
from storage.store import Store
from tests.storage.examples import alert, at, batch

OUTAGE = ServiceNotice(
    time=at(0), cause="broker:cellar", severity=Severity.WARNING, title="No readings", text="The broker is away."
)
END = replace(OUTAGE, time=at(60), ends=True, text="It is back.")


def test_a_notice_goes_into_the_outbox_once_for_each_channel(store: Store) -> None:
    assert store.add_notice(OUTAGE, channels=["mail", "phone"])
    assert not store.add_notice(OUTAGE, channels=["mail", "phone"])

    assert [(each.channel, each.message) for each in store.outbox_due(at(0), 10)] == [
        ("mail", OUTAGE),
        ("phone", OUTAGE),
    ]


def test_a_notice_is_open_until_its_end_is_kept_and_a_summary_never_is(store: Store) -> None:
    summary = replace(OUTAGE, cause=digest_cause("mail"))

    store.add_notice(summary, channels=[])
    store.add_notice(OUTAGE, channels=[])
    assert store.open_notices() == (OUTAGE,)
    store.add_notice(END, channels=[])

    assert store.open_notices() == ()


def test_an_outage_that_comes_again_is_open_again(store: Store) -> None:
    again = replace(OUTAGE, time=at(90))

    for notice in (OUTAGE, END, again):
        store.add_notice(notice, channels=[])

    assert store.open_notices() == (again,)


def test_the_beginning_of_a_notice_is_found_on_the_same_channel(store: Store) -> None:
    store.add_notice(OUTAGE, channels=["mail"])
    store.add_notice(END, channels=["mail", "phone"])
    begin, end, strange = store.outbox_due(at(60), 10)

    assert store.outbox_beginning(strange.id) is None
    assert store.outbox_beginning(end.id) is Beginning.WAITING
    store.outbox_delivered(begin.id, at(61))
    assert store.outbox_beginning(end.id) is Beginning.TOLD


def test_the_beginning_of_an_alert_is_the_last_one_of_its_kind_before_the_end(store: Store) -> None:
    batch_id = store.add_batch(batch(), created=at(0)).batch_id
    kind = Kind.FERMENTATION_STARTED
    story = [alert(1), alert(2, resolves=kind), alert(3), alert(4, resolves=kind)]
    store.save_outcomes(batch_id, alerts=story, channels=["mail"])
    first, first_end, second, second_end = store.outbox_due(at(9), 10)

    store.outbox_left_out(first.id, at(9), reason="too mild")
    store.outbox_failed(second.id, retry_at=None, reason="gone")

    assert store.outbox_beginning(first_end.id) is Beginning.LEFT_OUT
    assert store.outbox_beginning(second_end.id) is Beginning.GIVEN_UP


def test_an_alert_that_became_graver_began_where_any_of_its_stages_was_told(store: Store) -> None:
    batch_id = store.add_batch(batch(), created=at(0)).batch_id
    kind = Kind.FERMENTATION_STARTED
    replaced = replace(alert(2, resolves=kind), evidence={REPLACED: True})
    store.save_outcomes(batch_id, alerts=[alert(1), replaced], channels=["mail"])
    store.save_outcomes(batch_id, alerts=[alert(2), alert(4, resolves=kind)], channels=["mail", "phone"])
    milder, _, graver, graver_phone, end, end_phone = store.outbox_due(at(9), 10)

    assert (milder.standing.replaced, graver.standing.replaced) == (True, False)
    store.outbox_delivered(milder.id, at(9))
    store.outbox_failed(graver.id, retry_at=None, reason="gone")
    assert store.outbox_beginning(end.id) is Beginning.TOLD
    assert store.outbox_beginning(end_phone.id) is Beginning.WAITING
    store.outbox_left_out(graver_phone.id, at(9), reason="too mild")
    assert store.outbox_beginning(end_phone.id) is Beginning.LEFT_OUT


def test_a_delivery_knows_what_has_become_of_its_alert(store: Store) -> None:
    batch_id = store.add_batch(batch(), created=at(0)).batch_id
    (record,) = store.save_outcomes(batch_id, alerts=[alert(1)], channels=["mail"])

    (fresh,) = store.outbox_due(at(1), 10)
    store.acknowledge_alert(record.id, who="Ada", time=at(2))
    store.snooze_alert(record.id, until=at(30))
    store.outbox_held(fresh.id, until=at(3), reason="quiet hours")
    store.save_outcomes(batch_id, alerts=[alert(2, resolves=Kind.FERMENTATION_STARTED)], channels=[])

    assert fresh.standing == Standing()
    assert store.outbox_due(at(2.9), 10) == ()
    (now,) = store.outbox_due(at(3), 10)
    assert now.standing == Standing(over=True, acknowledged=True, snoozed_until=at(30), held=True)


def test_what_is_to_be_told_again_counts_as_delivered_and_is_due_at_its_time(store: Store) -> None:
    store.add_notice(OUTAGE, channels=["mail"])
    (fresh,) = store.outbox_due(at(0), 10)

    store.outbox_delivered(fresh.id, at(1), again=at(700))

    assert store.outbox_counts() == {"waiting": 0, "failing": 0, "delivered": 1, "given_up": 0}
    assert store.outbox_due(at(699), 10) == ()
    (again,) = store.outbox_due(at(700), 10)
    assert again.message.told == 1
