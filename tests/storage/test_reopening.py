"""The end of a batch is taken back: only where the beer can still be told, and with its alerts as they were."""

from __future__ import annotations

from dataclasses import replace

import pytest

from alerts.alert import Kind
from alerts.delivery.outbox import deliver_due
from alerts.delivery.policy import EVERYTHING, PROGRAMS
from alerts.engine import closed
from alerts.notice import Message, Notice
from gylewatch.errors import NotFound
from gylewatch.values import BatchId, FloatId, VesselId
from storage.records import Footing, NotReopened
from storage.store import Store
from tests.storage.examples import alert, at, batch, curve, estimate, reading, references, sample, vessel_record

PALE = BatchId("harbour-pale")
WREN = FloatId("wren")
PHONE, PROGRAM = "phone", "mqtt:home"


@pytest.fixture
def ended(store: Store) -> Store:
    """A batch with readings and estimates, ended after ten hours."""
    store.add_vessel(vessel_record("FV2"))
    store.add_batch(batch(), created=at(0))
    store.append_readings([reading(-30), *(reading(each) for each in range(15, 600, 15))])
    store.save_outcomes(PALE, estimates=[estimate(each) for each in range(15, 600, 15)], state=b"state", cursor=39)
    store.end_batch(PALE, at(600))
    return store


def refusal(store: Store) -> str:
    before = store.batch(PALE)
    with pytest.raises(NotReopened) as refused:
        store.reopen_batch(PALE, at(900))
    assert str(refused.value) == f"batch 'harbour-pale' is not reopened: {store.why_not_reopened(PALE)}"
    assert store.batch(PALE) == before
    return store.why_not_reopened(PALE)


def test_a_reopened_batch_is_active_and_is_to_be_read_again(ended: Store) -> None:
    before = ended.batch(PALE)
    assert ended.why_not_reopened(PALE) == ""

    record = ended.reopen_batch(PALE, at(700))

    assert record == replace(before, ended=None, reopened=at(700)) == ended.batch(PALE)
    assert ended.batches(active_only=True) == (record,)
    assert (ended.estimates(PALE), ended.state(PALE)) == ((), None)
    assert len(ended.readings(FloatId("heron"))) == 40


def read_to_its_end(ended: Store) -> None:
    for version in (1, 2):
        ended.add_curve(curve(), references(), who="Ada", note=str(version), created=at(0))
    ended.set_batch_curve(PALE, 1)
    ended.save_outcomes(PALE, state=b"state", cursor=ended.last_reading_row(FloatId("heron")))


def test_what_came_from_before_the_end_after_its_state_is_left_unread(ended: Store) -> None:
    read_to_its_end(ended)
    ended.append_readings([reading(-10), reading(615)])
    assert ended.left_unread() == ()

    ended.append_readings([reading(597)])

    assert ended.left_unread() == (ended.batch(PALE),)
    assert ended.broken_off() == ()
    ended.save_outcomes(PALE, state=b"state", cursor=ended.last_reading_row(FloatId("heron")))
    assert ended.left_unread() == ()


def test_a_thinned_batch_is_not_read_on_and_can_be_read_again_all_the_same(ended: Store) -> None:
    read_to_its_end(ended)
    ended.thin_estimates(at(601))

    ended.append_readings([reading(597)])

    assert (ended.left_unread(), ended.broken_off(), ended.why_not_reopened(PALE)) == ((), (), "")
    ended.set_batch_curve(PALE, 2)
    assert ended.broken_off() == (ended.batch(PALE),)


def test_an_ended_batch_without_its_first_readings_is_not_read_on(ended: Store) -> None:
    read_to_its_end(ended)
    ended.prune(at(100))
    ended.append_readings([reading(597)])

    assert ended.left_unread() == ()
    assert "are deleted, and it cannot be read again" in ended.why_not_read_again(PALE)


def test_another_curve_takes_the_state_of_an_ended_batch_and_leaves_that_of_an_active_one(ended: Store) -> None:
    read_to_its_end(ended)

    ended.set_batch_curve(PALE, 1)
    assert (ended.broken_off(), ended.why_not_read_again(PALE)) == ((), "")
    ended.set_batch_curve(PALE, 2)

    assert ended.broken_off() == (ended.batch(PALE),)
    ended.reopen_batch(PALE, at(700))
    ended.save_outcomes(PALE, state=b"state", cursor=39)
    ended.set_batch_curve(PALE, 1)
    assert ended.state(PALE) is not None


def test_an_active_batch_is_not_reopened_and_loses_nothing(ended: Store) -> None:
    ended.reopen_batch(PALE, at(700))
    ended.save_outcomes(PALE, estimates=[estimate(15)])

    assert refusal(ended) == "it is active"
    assert len(ended.estimates(PALE)) == 1


def test_nothing_is_reopened_that_was_never_there(store: Store) -> None:
    for ask in (store.why_not_reopened, lambda name: store.reopen_batch(name, at(0))):
        with pytest.raises(NotFound, match="no batch is called 'nowhere'"):
            ask(BatchId("nowhere"))


def test_a_float_in_another_active_batch_is_named(ended: Store) -> None:
    ended.add_batch(batch("Quay Stout", vessel=VesselId("FV2")), created=at(700))

    assert refusal(ended) == (
        "its float heron is in the active batch 'Quay Stout' since, and what it measured there would be taken for this "
        "beer; add what is in the vessel as a new batch, or, if that one was entered by mistake, remove it: "
        "gylewatch batch remove quay-stout"
    )
    ended.remove_batch(BatchId("quay-stout"))
    assert ended.why_not_reopened(PALE) == ""  # the remedy is one


def test_a_vessel_that_holds_another_active_batch_is_named(ended: Store) -> None:
    other = ended.add_batch(batch("Quay Stout", float_id=WREN), created=at(700))

    assert refusal(ended) == (
        "its vessel FV1 holds the active batch 'Quay Stout'; end that batch first, or, if its beer lies elsewhere, "
        "change its vessel"
    )
    ended.replace_batch(other, batch("Quay Stout", float_id=WREN, vessel=VesselId("FV2")))
    assert ended.why_not_reopened(PALE) == ""  # as where an older version let two share a vessel


def test_a_float_that_was_in_another_beer_since_would_mix_the_two(ended: Store) -> None:
    other = ended.add_batch(batch("Quay Stout", vessel=VesselId("FV2")), created=at(700)).batch_id
    ended.end_batch(other, at(800))

    assert refusal(ended).startswith("its float heron was in the batch 'Quay Stout' since, and what it measured there")


def test_a_float_that_was_in_another_beer_before_is_no_hindrance(ended: Store) -> None:
    other = ended.add_batch(batch("Quay Stout", vessel=VesselId("FV2")), created=at(700)).batch_id
    ended.end_batch(other, at(599))

    assert ended.why_not_reopened(PALE) == ""


def test_a_vessel_that_held_another_beer_since_is_no_hindrance(ended: Store) -> None:
    other = ended.add_batch(batch("Quay Stout", float_id=WREN), created=at(700)).batch_id
    ended.end_batch(other, at(800))

    assert ended.why_not_reopened(PALE) == ""


@pytest.mark.parametrize("until", [16, 1000], ids=["the first", "all"])
def test_a_batch_whose_readings_were_deleted_keeps_its_estimates(ended: Store, until: float) -> None:
    assert ended.prune(at(until)) > 0

    assert refusal(ended).startswith("its readings since 2026-03-02T18:45Z are deleted, and it could not be read again")
    assert len(ended.estimates(PALE)) == 39


def test_an_estimate_of_a_sample_before_the_first_reading_is_no_sign_of_deleted_ones(ended: Store) -> None:
    ended.add_sample(PALE, sample(5))
    ended.save_outcomes(PALE, estimates=[estimate(5)])

    assert ended.why_not_reopened(PALE) == ""


def due(store: Store) -> list[tuple[str, Kind | None]]:
    """What waits to be told: the channel, and what it is told of."""
    waiting = store.outbox_due(at(10_000), 100)
    return [(each.channel, each.message.alert.kind) for each in waiting if isinstance(each.message, Notice)]


def test_alerts_that_the_end_closed_are_open_as_before_and_no_person_is_told_again(ended: Store) -> None:
    low, real = alert(100, Kind.BATTERY_LOW), alert(200, Kind.FLOAT_STUCK)
    over = alert(250, Kind.FLOAT_STUCK, resolves=Kind.FLOAT_STUCK)
    (kept, *_) = ended.save_outcomes(PALE, alerts=[low, real, over], channels=[PHONE, PROGRAM])
    for each in ended.outbox_due(at(601), 9):
        ended.outbox_delivered(each.id, at(601))
    ended.acknowledge_alert(kept.id, who="Ada", time=at(300))
    ended.save_outcomes(PALE, alerts=[closed(low, at(600))], channels=[PHONE, PROGRAM])
    for each in ended.outbox_due(at(602), 9):  # people know that the batch has ended; programs are told
        if each.channel == PROGRAM:
            ended.outbox_delivered(each.id, at(602))
        else:
            ended.outbox_left_out(each.id, at(602), reason="who ended the batch knows")
    assert (ended.open_alerts(PALE), due(ended)) == ((), [])

    ended.reopen_batch(PALE, at(700))

    (again,) = ended.open_alerts(PALE)
    assert (again.id, again.alert, again.acknowledged_by) == (kept.id, low, "Ada")
    assert [each.alert for each in ended.alerts(PALE)] == [low, real, over]
    assert due(ended) == [(PROGRAM, Kind.BATTERY_LOW)]


def test_who_was_not_told_because_the_batch_had_ended_is_told_now_unless_it_is_over(ended: Store) -> None:
    low = alert(100, Kind.BATTERY_LOW)
    ended.save_outcomes(PALE, alerts=[low], channels=[PHONE])
    ended.save_outcomes(PALE, alerts=[closed(low, at(600))], channels=[PHONE])
    for each in ended.outbox_due(at(602), 9):
        ended.outbox_left_out(each.id, at(602), reason="it was over before it was to be told")

    ended.reopen_batch(PALE, at(700))

    (waiting,) = ended.outbox_due(at(700), 9)
    assert isinstance(waiting.message, Notice)
    assert (waiting.channel, waiting.message.alert) == (PHONE, low)
    assert not waiting.standing.over
    assert waiting.standing.held  # so that it is left out if it is over by then


def test_who_is_told_of_the_end_in_the_moment_of_reopening_hears_of_the_beginning_anew(ended: Store) -> None:
    low = alert(100, Kind.BATTERY_LOW)
    told: list[tuple[str, Kind | None]] = []

    class Listener:
        def __init__(self, name: str) -> None:
            self.name = name

        def deliver(self, message: Message) -> None:
            assert isinstance(message, Notice)
            told.append((self.name, message.alert.resolves))
            if message.ends:
                ended.reopen_batch(PALE, at(700))  # while the message is on its way

    channels = {name: Listener(name) for name in (PHONE, PROGRAM)}
    policies = {PHONE: EVERYTHING, PROGRAM: PROGRAMS}
    ended.save_outcomes(PALE, alerts=[low], channels=[PHONE, PROGRAM])
    deliver_due(ended, channels, at(500), policies=policies)
    ended.save_outcomes(PALE, alerts=[closed(low, at(600))], channels=[PHONE, PROGRAM])
    deliver_due(ended, channels, at(700), policies=policies)

    for minutes in (701, 702):
        deliver_due(ended, channels, at(minutes), policies=policies)

    assert told == [(PHONE, None), (PROGRAM, None), (PROGRAM, Kind.BATTERY_LOW), (PROGRAM, None)]
    assert [each.alert for each in ended.open_alerts(PALE)] == [low]


def test_a_batch_that_is_removed_while_its_end_is_told_has_nothing_to_begin_anew(ended: Store) -> None:
    low = alert(100, Kind.BATTERY_LOW)

    class Remover:
        name = PROGRAM

        def deliver(self, message: Message) -> None:
            if message.ends:
                ended.remove_batch(PALE)

    for each in (low, closed(low, at(600))):
        ended.save_outcomes(PALE, alerts=[each], channels=[PROGRAM])
        done = deliver_due(ended, {PROGRAM: Remover()}, at(700), policies={PROGRAM: PROGRAMS})

    assert len(done.delivered) == 1
    assert ended.outbox_due(at(10_000), 100) == ()


def test_what_was_concluded_before_a_reopening_or_a_withdrawal_is_not_saved_after_it(ended: Store) -> None:
    number = ended.add_sample(PALE, sample(30))
    first = ended.footing(PALE)
    ended.reopen_batch(PALE, at(700))
    second = ended.footing(PALE)

    def save(footing: Footing) -> bytes | None:
        ended.save_outcomes(PALE, estimates=[estimate(15)], state=b"state", cursor=1, footing=footing)
        stored = ended.state(PALE)
        return None if stored is None else stored.state

    assert save(first) is None
    assert save(second) == b"state"
    ended.withdraw_sample(PALE, number, who="Ada", time=at(701))
    assert save(second) is None
    assert ended.estimates(PALE) == ()
    assert save(ended.footing(PALE)) == b"state"
