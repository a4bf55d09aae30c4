from __future__ import annotations

import pytest

from gylewatch.values import BatchId
from storage.store import Store
from tests.storage.examples import at, batch, estimate


@pytest.fixture
def batch_id(store: Store) -> BatchId:
    return store.add_batch(batch(), created=at(0)).batch_id


def test_a_short_course_comes_whole(store: Store, batch_id: BatchId) -> None:
    store.save_outcomes(batch_id, estimates=[estimate(minute) for minute in range(8)])

    course = store.course(batch_id, at_most=8)

    assert course.estimates == tuple(estimate(minute) for minute in range(8))
    assert course.gaps == ()


def test_a_long_course_keeps_its_ends_and_the_extremes(store: Store, batch_id: BatchId) -> None:
    rows = [estimate(minute, gravity_sg=1.05 - minute * 1e-5) for minute in range(200)]
    rows[77] = estimate(77, gravity_sg=1.0999)
    store.save_outcomes(batch_id, estimates=rows)

    kept = store.course(batch_id, at_most=20).estimates

    assert len(kept) <= 20
    assert (kept[0], kept[-1]) == (rows[0], rows[-1])
    assert rows[77] in kept


def test_a_course_can_be_asked_for_by_period(store: Store, batch_id: BatchId) -> None:
    store.save_outcomes(batch_id, estimates=[estimate(minute) for minute in range(10)])

    course = store.course(batch_id, at_most=8, since=at(2), until=at(5))

    assert [row.time for row in course.estimates] == [at(2), at(3), at(4)]


def test_a_silence_of_hours_is_a_gap_with_both_its_sides_kept(store: Store, batch_id: BatchId) -> None:
    minutes = [*range(100), *range(300, 400)]
    store.save_outcomes(batch_id, estimates=[estimate(minute) for minute in minutes])

    course = store.course(batch_id, at_most=20)

    assert course.gaps == ((at(99), at(300)),)
    assert len(course.estimates) <= 20
    assert {at(0), at(99), at(300), at(399)} <= {row.time for row in course.estimates}


def test_of_many_gaps_the_longest_are_told(store: Store, batch_id: BatchId) -> None:
    minutes = [day * 10_000 + day * day * 40 + minute for day in range(30) for minute in range(8)]
    store.save_outcomes(batch_id, estimates=[estimate(minute) for minute in minutes])

    course = store.course(batch_id, at_most=16)

    assert len(course.estimates) <= 16
    assert [start for start, _ in course.gaps] == [
        at(27 * 10_000 + 27 * 27 * 40 + 7),
        at(28 * 10_000 + 28 * 28 * 40 + 7),
    ]


def test_a_batch_without_estimates_has_an_empty_course(store: Store, batch_id: BatchId) -> None:
    assert store.course(batch_id, at_most=8).estimates == ()


def test_too_few_points_to_keep_the_extremes_are_refused(store: Store, batch_id: BatchId) -> None:
    with pytest.raises(ValueError, match="8 or more"):
        store.course(batch_id, at_most=7)
