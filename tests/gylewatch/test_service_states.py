"""What other programs find retained on a real broker about a batch that has ended, was reopened or was removed."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from gylewatch.clock import SteppedClock
from gylewatch.service import Service
from gylewatch.state_feed import KEPT_FOR, OFF_FOR, StateFeed, state_payload
from gylewatch.values import BatchId, FloatId, utc_text
from storage.store import Store
from tests.broker import Broker
from tests.eventually import eventually
from tests.gylewatch.brew import PITCHED, pale_readings
from tests.gylewatch.live import BATCH, furnish, retained_state, settings
from tests.storage.examples import estimate, float_record, without_strength_intervals

READINGS = pale_readings(20)
ENDED = READINGS[-1].time + timedelta(minutes=1)
OVER = ENDED + KEPT_FOR + timedelta(minutes=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(furnish(tmp_path, PITCHED)) as opened:
        opened.append_readings(READINGS)
        yield opened


@pytest.fixture(autouse=True)
def _soon_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gylewatch.state_feed.AGAIN_S", 0.05)  # what is tried before the connection stands


@contextmanager
def serving(folder: Path, broker: Broker, now: datetime) -> Iterator[SteppedClock]:
    clock = SteppedClock(now)
    service = Service(settings(f"sqlite:///{folder / 'gylewatch.sqlite'}", broker.port), clock=clock, tick_s=0.05)
    service.start()
    try:
        eventually("it is connected", lambda: "connected since" in service.health().brokers[0], 30)
        yield clock
    finally:
        service.stop()


def state(broker: Broker) -> Any:
    payload = retained_state(broker.port)
    return json.loads(payload) if payload else None


def wait_for_state(broker: Broker, *, ended: datetime | None) -> None:
    wanted = None if ended is None else utc_text(ended)
    eventually("the state says so", lambda: (state(broker) or {"ended": "no state"})["ended"] == wanted, 60)


def wait_for_none(broker: Broker) -> None:
    eventually("nothing is retained", lambda: state(broker) is None, 60)


def test_the_last_state_of_an_ended_batch_says_so_and_goes_after_a_week(
    store: Store, tmp_path: Path, broker: Broker
) -> None:
    with serving(tmp_path, broker, ENDED) as clock:
        wait_for_state(broker, ended=None)

        store.end_batch(BATCH, ENDED)
        wait_for_state(broker, ended=ENDED)
        last = state(broker)
        clock.move_to(ENDED + KEPT_FOR)
        still = state(broker)
        clock.move_to(OVER)
        wait_for_none(broker)

    assert last["time"] == utc_text(READINGS[-1].time)
    assert still == last


def test_a_batch_that_is_reopened_has_not_ended(store: Store, tmp_path: Path, broker: Broker) -> None:
    with serving(tmp_path, broker, ENDED):
        store.end_batch(BATCH, ENDED)
        wait_for_state(broker, ended=ENDED)

        store.reopen_batch(BATCH, ENDED)

        wait_for_state(broker, ended=None)


def remove(store: Store) -> None:
    store.remove_batch(BATCH)


def remove_and_add_anew(store: Store) -> None:
    record = store.batch(BATCH)
    store.remove_batch(BATCH)
    store.add_batch(replace(record.batch, pitched=ENDED), created=ENDED)  # it was not heard since


def give_a_float_without_a_curve(store: Store) -> None:
    record = store.batch(BATCH)
    store.replace_batch(record, replace(record.batch, float_id=FloatId("tern")), new=[float_record("tern")])


@pytest.mark.parametrize("runs", [True, False], ids=["while the service runs", "while it is stopped"])
@pytest.mark.parametrize("change", [remove, remove_and_add_anew, give_a_float_without_a_curve])
def test_the_state_of_a_batch_goes_when_nothing_is_believed_of_it_any_more(
    store: Store, tmp_path: Path, broker: Broker, change: Callable[[Store], None], *, runs: bool
) -> None:
    with serving(tmp_path, broker, ENDED):
        wait_for_state(broker, ended=None)
        if runs:
            change(store)
            wait_for_none(broker)
    if not runs:
        change(store)
        with serving(tmp_path, broker, ENDED):
            wait_for_none(broker)

    assert store.latest_estimate(BATCH) is None


def test_a_broker_that_lost_its_states_is_told_of_the_end_too(store: Store, tmp_path: Path, broker: Broker) -> None:
    with serving(tmp_path, broker, ENDED):
        store.end_batch(BATCH, ENDED)
        wait_for_state(broker, ended=ENDED)

        broker.kill()
        for kept in broker.directory.rglob("*.db"):
            kept.unlink()
        broker.start()

        wait_for_state(broker, ended=ENDED)


@pytest.mark.parametrize(("after", "told"), [(KEPT_FOR, True), (KEPT_FOR * 2, False), (KEPT_FOR + OFF_FOR, False)])
def test_an_end_while_the_service_is_stopped_is_told_or_its_state_taken_back_at_the_next_start(
    store: Store, tmp_path: Path, broker: Broker, after: timedelta, told: bool
) -> None:
    with serving(tmp_path, broker, ENDED):
        wait_for_state(broker, ended=None)
    store.end_batch(BATCH, ENDED)

    with serving(tmp_path, broker, ENDED + after):
        if told:
            wait_for_state(broker, ended=ENDED)
        else:
            wait_for_none(broker)


def test_a_batch_that_is_told_of_while_the_others_are_looked_up_was_not_removed() -> None:
    published: dict[str, bytes] = {}
    feed = StateFeed([published.__setitem__])

    def look_up() -> dict[BatchId, datetime | None]:
        feed.tell(BATCH, estimate(1))  # it was added after that look
        return {}

    feed.follow(look_up, ENDED)
    feed.start()
    try:
        eventually("it is published", lambda: published != {})
    finally:
        feed.stop()

    assert [json.loads(each)["batch"] for each in published.values()] == [BATCH]


def test_what_is_told_while_the_others_are_looked_up_is_newer_than_what_is_found() -> None:
    published: list[bytes] = []
    feed = StateFeed([lambda _, payload: published.append(payload)])
    feed.tell(BATCH, estimate(1))

    def look_up() -> dict[BatchId, datetime | None]:
        feed.tell(BATCH, estimate(2))  # it was read again in that moment
        return {}

    feed.follow(look_up, ENDED)
    feed.start()
    try:
        eventually("it is published", lambda: published != [])
    finally:
        feed.stop()

    assert [json.loads(each)["time"] for each in published] == [utc_text(estimate(2).time)]


def test_what_is_found_of_a_batch_after_its_end_tells_of_the_end_too() -> None:
    published: list[bytes] = []
    feed = StateFeed([lambda _, payload: published.append(payload)])
    feed.begin({BATCH: ENDED}, {BATCH: estimate(1)}, [], ENDED)

    feed.tell(BATCH, estimate(2))
    feed.start()
    try:
        eventually("it is published", lambda: published != [])
    finally:
        feed.stop()

    (last,) = map(json.loads, published)
    assert (last["time"], last["ended"]) == (utc_text(estimate(2).time), utc_text(ENDED))


def test_of_a_batch_that_ended_before_the_start_the_end_is_told_with_what_is_found() -> None:
    published: list[bytes] = []
    feed = StateFeed([lambda _, payload: published.append(payload)])

    feed.tell(BATCH, estimate(2), ended=ENDED)
    feed.start()
    try:
        eventually("it is published", lambda: published != [])
    finally:
        feed.stop()

    assert [json.loads(each)["ended"] for each in published] == [utc_text(ENDED)]


def test_the_state_gives_attenuation_and_alcohol_with_their_intervals() -> None:
    new = json.loads(state_payload(BATCH, estimate(2)))
    old = json.loads(state_payload(BATCH, without_strength_intervals(estimate(2))))

    assert (new["apparent_attenuation_low"], new["apparent_attenuation_high"]) == (0.37, 0.44)
    assert (new["abv_low_percent"], new["abv_high_percent"]) == (2.51, 2.97)
    intervals = {name for name in new if new[name] != old[name]}
    assert intervals == {"apparent_attenuation_low", "apparent_attenuation_high", "abv_low_percent", "abv_high_percent"}
    assert {old[name] for name in intervals} == {None}


def test_a_state_is_taken_back_from_a_broker_that_was_away_meanwhile(
    store: Store, tmp_path: Path, broker: Broker
) -> None:
    with serving(tmp_path, broker, ENDED):
        wait_for_state(broker, ended=None)
        broker.stop()

        store.remove_batch(BATCH)
        broker.start()

        wait_for_none(broker)
