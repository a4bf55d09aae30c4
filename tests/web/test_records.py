from __future__ import annotations

from storage.store import Store
from tests.web import brewery
from web.graph import SCREEN_POINTS
from web.records import batch_graph


def test_a_long_course_is_thinned_and_keeps_ends_and_extremes(store: Store) -> None:
    record = store.batch(brewery.add_batch(store, brewery.harbour_pale()))
    rows = list(brewery.estimates(40 * 24.0, 0.5))
    rows[777] = brewery.estimate(777 * 0.5, temperature_c=35.5)
    rows[1234] = brewery.estimate(1234 * 0.5, gravity_low_sg=0.9811)
    store.save_outcomes(record.batch_id, estimates=rows)

    kept = batch_graph(store, record).estimates

    assert len(kept) <= SCREEN_POINTS
    assert (kept[0], kept[-1]) == (rows[0], rows[-1])
    assert list(kept) == sorted(set(kept), key=lambda row: row.time)
    assert max(row.temperature_c for row in kept) == 35.5
    assert min(row.gravity_low_sg for row in kept) == 0.9811


def test_a_short_course_is_kept_whole_with_what_came_before_pitching(store: Store) -> None:
    record = store.batch(brewery.add_batch(store, brewery.harbour_pale()))
    rows = (brewery.estimate(-0.5), *brewery.estimates(30.0))
    store.save_outcomes(record.batch_id, estimates=rows)

    assert batch_graph(store, record).estimates == rows


def test_a_course_of_one_estimate_at_pitching_is_that_estimate(store: Store) -> None:
    record = store.batch(brewery.add_batch(store, brewery.harbour_pale()))
    store.save_outcomes(record.batch_id, estimates=[brewery.estimate(0.0)])

    assert batch_graph(store, record).estimates == (brewery.estimate(0.0),)


def test_a_batch_without_estimates_has_no_course(store: Store) -> None:
    record = store.batch(brewery.add_batch(store, brewery.harbour_pale()))

    assert batch_graph(store, record).estimates == ()


def test_hours_without_readings_are_gaps_whatever_is_thinned(store: Store) -> None:
    record = store.batch(brewery.add_batch(store, brewery.harbour_pale()))
    hours = [index * 0.05 for index in range(12_000) if not 3000 < index < 3100]
    store.save_outcomes(record.batch_id, estimates=[brewery.estimate(hour) for hour in hours])

    graph = batch_graph(store, record)

    assert len(graph.estimates) <= SCREEN_POINTS
    ((start, end),) = graph.gaps
    assert (start, end) == (brewery.estimate(3000 * 0.05).time, brewery.estimate(3100 * 0.05).time)
    assert {start, end} <= {row.time for row in graph.estimates}


def test_a_float_that_reports_every_three_hours_has_no_gaps(store: Store) -> None:
    record = store.batch(brewery.add_batch(store, brewery.harbour_pale()))
    store.save_outcomes(record.batch_id, estimates=brewery.estimates(90.0, 3.0))

    assert batch_graph(store, record).gaps == ()
