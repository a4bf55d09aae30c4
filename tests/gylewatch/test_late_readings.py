"""Readings that a gateway held back while the network was away: the batch is read again in the order of their time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from itertools import chain
from pathlib import Path

import pytest

from alerts.alert import Alert, Kind
from alerts.notice import Notice
from alerts.probe_rules import DISAGREE
from alerts.settings import AlertSettings
from fermentation.estimate import Estimate
from gylewatch.lateness import CALM, PAUSE
from gylewatch.rehearsing import rehearse
from gylewatch.values import ProbeReading, Reading, VesselId
from gylewatch.watch import BatchWatch
from storage.store import Store
from tests.gylewatch.brew import PITCHED, pale_readings
from tests.gylewatch.live import BATCH, furnish, watch

READINGS = pale_readings(130)  # until after the start
NOW = READINGS[-1].time + timedelta(minutes=1)

pytestmark = pytest.mark.usefixtures("small_pages")


def follow(watched: BatchWatch, after: timedelta = timedelta(0)) -> None:
    """As the worker does, so long after everything has arrived."""
    watched.mind_clock(NOW + after)
    watched.mind_late_readings(NOW + after)
    while watched.step(NOW + after).more:
        pass


def settle(watched: BatchWatch, after: timedelta = timedelta(0)) -> None:
    """Until it has been calm for long enough."""
    for wait in (timedelta(0), timedelta(seconds=5), timedelta(seconds=5) + CALM):
        follow(watched, after + wait)


def in_turn(tmp_path: Path, readings: Sequence[Reading] = READINGS) -> tuple[tuple[Estimate, ...], list[Alert]]:
    """What is concluded from readings that come in their turn."""
    folder = tmp_path / "in-turn"
    folder.mkdir()
    with Store.open(furnish(folder, PITCHED)) as other:
        other.set_batch_curve(BATCH, 1)
        other.append_readings(readings)
        follow(watch(other))
        return other.estimates(BATCH), alerts(other)


def alerts(store: Store) -> list[Alert]:
    """But for silences: there was one, while the network was away."""
    found = (each.alert for each in store.alerts(BATCH))
    return [alert for alert in found if alert.subject.kind is not Kind.FLOAT_SILENT]


def told(store: Store) -> list[Alert]:
    """What goes to people: a silence that is over when it is found does not."""
    due = (each.message for each in store.outbox_due(NOW + timedelta(days=1), 100))
    return [message.alert for message in due if isinstance(message, Notice)]


def packs(readings: Sequence[Reading], size: int) -> list[Sequence[Reading]]:
    return [readings[start : start + size] for start in range(0, len(readings), size)]


@pytest.mark.parametrize(
    "order",
    [
        pytest.param([READINGS[-1], *READINGS[:-1]], id="one of now before the past"),
        pytest.param([*chain.from_iterable(reversed(packs(READINGS, 20)))], id="the newest pack first"),
        pytest.param([*chain.from_iterable(pack[::-1] for pack in packs(READINGS, 20))], id="each pack reversed"),
    ],
)
def test_the_past_counts_as_if_it_had_come_in_its_turn(store: Store, tmp_path: Path, order: Sequence[Reading]) -> None:
    store.append_readings(order)
    watched = watch(store)

    follow(watched)
    at_first = store.estimates(BATCH)
    settle(watched, timedelta(seconds=10))

    wanted, found = in_turn(tmp_path)
    assert len(at_first) < len(wanted) / 4
    assert store.estimates(BATCH) == wanted
    assert [(each.kind, each.resolves) for each in alerts(store)] == [(each.kind, each.resolves) for each in found]


@pytest.mark.parametrize("order", [[READINGS[-1], *READINGS[:-1]], READINGS[::-1]])
def test_a_rehearsal_tells_what_the_service_told(store: Store, order: Sequence[Reading]) -> None:
    store.append_readings(order)
    settle(watch(store))

    found = rehearse(store, store.batch(BATCH), AlertSettings(), now=NOW)

    pairs = [each for each in found.pairings if each.kind is not Kind.FLOAT_SILENT]
    assert [(each.kind, each.shift) for each in pairs] == [(Kind.FERMENTATION_STARTED, timedelta(0))]


def test_a_rehearsal_leaves_out_what_was_stamped_by_a_clock_that_was_ahead(store: Store) -> None:
    ahead = NOW + timedelta(days=30)
    probe = [
        ProbeReading(time=each.time, probe="well", vessel=VesselId("FV1"), temperature_c=each.temperature_c - 5.0)
        for each in READINGS
    ]
    store.append_readings([replace(READINGS[0], time=ahead), *READINGS])
    store.append_probe_readings([replace(probe[0], time=ahead), *probe])

    found = rehearse(store, store.batch(BATCH), AlertSettings(), now=NOW)

    assert found.readings == len(READINGS)
    assert {(each.kind, each.cause) for each in found.pairings} == {
        (Kind.FERMENTATION_STARTED, ""),
        (Kind.CALIBRATION_SUSPECT, DISAGREE),
    }


def test_it_waits_until_no_more_of_them_come(store: Store) -> None:
    store.append_readings([READINGS[-1], *READINGS[:60]])
    watched = watch(store)
    follow(watched)
    at_first = store.estimates(BATCH)

    store.append_readings(READINGS[60:-1])
    follow(watched, CALM - timedelta(minutes=1))
    follow(watched, CALM - timedelta(seconds=55))
    follow(watched, CALM + timedelta(minutes=8))
    still = store.estimates(BATCH)
    follow(watched, CALM * 2)

    assert still == at_first
    assert len(store.estimates(BATCH)) == len(READINGS)


def test_neighbours_that_change_places_are_used_as_they_come(store: Store) -> None:
    store.append_readings([READINGS[place ^ 1] for place in range(80)])
    watched = watch(store)
    follow(watched)
    before = store.estimates(BATCH), store.state(BATCH)

    settle(watched)

    assert (store.estimates(BATCH), store.state(BATCH)) == before
    assert before[1] is not None


@pytest.mark.parametrize("orderly", [True, False])
@pytest.mark.parametrize("known", [0, 60, 110])  # before the network was away: nothing, the lag, the start
def test_a_service_that_stops_before_it_is_calm_mends_it_after_the_next_start(
    store: Store, tmp_path: Path, known: int, *, orderly: bool
) -> None:
    store.append_readings(READINGS[:known])
    watched = watch(store)
    follow(watched)
    store.append_readings([READINGS[-1], *READINGS[known:-1]])
    follow(watched)
    if orderly:
        watched.save()  # otherwise the process was killed

    settle(watch(store))

    wanted, found = in_turn(tmp_path)
    assert store.estimates(BATCH) == wanted
    assert [each.kind for each in alerts(store)] == [each.kind for each in found] == [Kind.FERMENTATION_STARTED]
    assert told(store) == alerts(store)


def test_what_was_told_before_the_network_was_away_is_not_told_again(store: Store) -> None:
    store.append_readings(READINGS[:110])
    watched = watch(store)
    follow(watched)
    before = alerts(store)
    store.append_readings([READINGS[-1], *READINGS[110:-1]])

    settle(watched)

    assert [each.kind for each in before] == [Kind.FERMENTATION_STARTED]
    assert alerts(store) == told(store) == before


def test_what_began_and_ended_in_the_past_is_kept_and_told_to_nobody(store: Store, tmp_path: Path) -> None:
    warm = [replace(each, temperature_c=each.temperature_c + 9.0 * (20 <= at < 60)) for at, each in enumerate(READINGS)]
    store.append_readings([*warm[:10], warm[-1], *warm[10:-1]])

    settle(watch(store))

    over = [each for each in alerts(store) if Kind.TEMPERATURE_OUT_OF_RANGE in (each.kind, each.resolves)]
    assert [each.resolves for each in over] == [None, Kind.TEMPERATURE_OUT_OF_RANGE]
    assert [each.kind for each in told(store)] == [Kind.FERMENTATION_STARTED]
    assert alerts(store) == in_turn(tmp_path, warm)[1]


def test_what_began_in_the_past_and_stands_is_told_once_with_its_own_time(store: Store, tmp_path: Path) -> None:
    warm = [replace(each, temperature_c=each.temperature_c + 9.0 * (at >= 60)) for at, each in enumerate(READINGS)]
    store.append_readings([*warm[:10], warm[-1], *warm[10:-1]])

    settle(watch(store))

    (raised,) = (each for each in alerts(store) if each.kind is Kind.TEMPERATURE_OUT_OF_RANGE)
    assert raised in in_turn(tmp_path, warm)[1]
    assert told(store).count(raised) == 1


def test_what_arrives_afterwards_is_taken_once(store: Store, tmp_path: Path) -> None:
    store.append_readings([READINGS[99], *READINGS[:99]])
    watched = watch(store)
    settle(watched)

    store.append_readings(READINGS[100:])
    follow(watched, PAUSE)
    watched.save()
    follow(watch(store), PAUSE)

    assert store.estimates(BATCH) == in_turn(tmp_path)[0]


def test_a_gateway_that_always_delivers_the_newest_first_has_it_read_again_now_and_then(store: Store) -> None:
    store.append_readings([READINGS[99], *READINGS[:99]])
    watched = watch(store)
    settle(watched)
    once = len(store.estimates(BATCH))
    store.append_readings(READINGS[:99:-1])

    settle(watched, timedelta(hours=1))
    soon = len(store.estimates(BATCH))
    follow(watched, PAUSE + CALM * 2)

    assert (once, soon) == (100, 101)
    assert len(store.estimates(BATCH)) == len(READINGS)
