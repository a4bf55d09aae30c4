from __future__ import annotations

import pytest

from alerts.alert import Alert, Kind
from alerts.notice import Notice
from gylewatch.errors import NotFound
from gylewatch.values import BatchId
from storage.store import Store
from tests.storage.examples import alert, at, batch


@pytest.fixture
def waiting(store: Store) -> Store:
    """A store with one alert to go out by mail and one by hook."""
    batch_id = store.add_batch(batch(), created=at(0)).batch_id
    store.save_outcomes(batch_id, alerts=[alert(1)], channels=["mail"])
    store.save_outcomes(batch_id, alerts=[alert(2, Kind.FLOAT_SILENT)], channels=["hook"])
    return store


def notice_of(told: Alert) -> Notice:
    return Notice(batch_id=BatchId("harbour-pale"), batch_name="Harbour Pale", alert=told)


def test_a_new_delivery_is_due_at_once_and_knows_its_batch(waiting: Store) -> None:
    due = waiting.outbox_due(at(-9999), 10)

    assert [(record.channel, record.attempts, record.message) for record in due] == [
        ("mail", 0, notice_of(alert(1))),
        ("hook", 0, notice_of(alert(2, Kind.FLOAT_SILENT))),
    ]
    assert len(waiting.outbox_due(at(0), 1)) == 1


def test_what_was_delivered_is_not_due_again(waiting: Store) -> None:
    mail, hook = waiting.outbox_due(at(0), 10)

    waiting.outbox_delivered(mail.id, at(3))

    assert [record.id for record in waiting.outbox_due(at(9999), 10)] == [hook.id]
    assert waiting.outbox_counts() == {"waiting": 1, "failing": 0, "delivered": 1, "given_up": 0}


def test_what_failed_is_due_again_at_its_time_with_its_attempts_counted(waiting: Store) -> None:
    mail, hook = waiting.outbox_due(at(0), 10)
    waiting.outbox_delivered(hook.id, at(3))

    waiting.outbox_failed(mail.id, retry_at=at(10), reason="server is down")

    assert waiting.outbox_due(at(9), 10) == ()
    (again,) = waiting.outbox_due(at(10), 10)
    assert (again.id, again.attempts, again.reason) == (mail.id, 1, "server is down")
    assert waiting.outbox_counts() == {"waiting": 1, "failing": 1, "delivered": 1, "given_up": 0}
    assert waiting.outbox_failing() == (again,)


def test_what_was_given_up_is_kept_with_its_reason(waiting: Store) -> None:
    mail, hook = waiting.outbox_due(at(0), 10)
    waiting.outbox_delivered(hook.id, at(3))

    waiting.outbox_failed(mail.id, retry_at=None, reason="no such address")

    assert waiting.outbox_due(at(9999), 10) == ()
    assert [(item.id, item.reason) for item in waiting.outbox_failing()] == [(mail.id, "no such address")]
    assert waiting.outbox_counts() == {"waiting": 0, "failing": 0, "delivered": 1, "given_up": 1}


def test_a_delivery_that_is_not_there_is_refused(waiting: Store) -> None:
    with pytest.raises(NotFound, match="no delivery is called '999'"):
        waiting.outbox_delivered(999, at(0))
    with pytest.raises(NotFound, match="no delivery is called '999'"):
        waiting.outbox_failed(999, retry_at=None, reason="")


def test_a_retry_that_a_clock_far_ahead_has_put_off_for_years_is_due_now(waiting: Store) -> None:
    mail, hook = waiting.outbox_due(at(0), 10)
    year = 365 * 24 * 60

    waiting.outbox_failed(mail.id, retry_at=at(12 * year), reason="the line was dead")
    waiting.outbox_held(hook.id, until=at(12 * year), reason="quiet hours")

    assert [record.id for record in waiting.outbox_due(at(5), 10)] == [mail.id, hook.id]


def test_pauses_and_snoozes_that_the_rules_allow_are_kept(waiting: Store) -> None:
    mail, hook = waiting.outbox_due(at(0), 10)
    month = 30 * 24 * 60

    waiting.outbox_failed(mail.id, retry_at=at(60), reason="the line was dead")
    waiting.snooze_alert(2, until=at(month))
    waiting.outbox_held(hook.id, until=at(month), reason="it is snoozed")

    assert waiting.outbox_due(at(5), 10) == ()


def test_a_snooze_lets_every_channel_that_has_heard_hear_again(waiting: Store) -> None:
    mail, hook = waiting.outbox_due(at(0), 10)
    waiting.outbox_delivered(mail.id, at(3))
    waiting.outbox_failed(hook.id, retry_at=None, reason="no such address")

    waiting.snooze_alert(1, until=at(60))
    waiting.snooze_alert(2, until=at(60))

    assert waiting.outbox_due(at(59), 10) == ()
    (again,) = waiting.outbox_due(at(60), 10)
    assert (again.id, again.message.told, again.standing.snoozed_until) == (mail.id, 1, at(60))
    assert waiting.outbox_counts() == {"waiting": 0, "failing": 0, "delivered": 1, "given_up": 1}


def test_acknowledging_ends_a_snooze_and_what_waited_for_it_is_due(waiting: Store) -> None:
    mail, hook = waiting.outbox_due(at(0), 10)
    waiting.outbox_delivered(hook.id, at(3))
    waiting.snooze_alert(1, until=at(60))
    waiting.outbox_held(mail.id, until=at(60), reason="it is snoozed")

    waiting.acknowledge_alert(1, who="Ada", time=at(5))

    (due,) = waiting.outbox_due(at(5), 10)
    assert (due.id, due.standing.acknowledged, due.standing.snoozed_until) == (mail.id, True, None)


def test_what_is_due_can_be_read_on_behind_a_delivery(waiting: Store) -> None:
    mail, hook = waiting.outbox_due(at(0), 10)

    assert [record.id for record in waiting.outbox_due(at(0), 10, after=mail.id)] == [hook.id]
    assert waiting.outbox_due(at(0), 10, after=hook.id) == ()
