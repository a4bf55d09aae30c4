from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from storage.records import ProbeCourse
from tests.web import brewery
from web.graph import graph, probe_at, stretches, thin, wanted_ranges


@given(st.lists(st.floats(0.98, 1.12), max_size=300), st.integers(8, 120))
def test_thinning_keeps_the_ends_and_the_extremes_in_order(gravities: list[float], at_most: int) -> None:
    rows = [
        brewery.estimate(
            float(index), gravity_sg=gravity, gravity_low_sg=gravity - 0.001, gravity_high_sg=gravity + 0.001
        )
        for index, gravity in enumerate(gravities)
    ]

    kept = thin(rows, at_most)

    assert len(kept) <= at_most
    assert list(kept) == sorted(kept, key=lambda row: row.time)
    if rows:
        assert (kept[0], kept[-1]) == (rows[0], rows[-1])
        shown = [row.gravity_sg for row in kept]
        assert (min(shown), max(shown)) == (min(gravities), max(gravities))


def test_lines_are_broken_at_gaps() -> None:
    rows = [brewery.estimate(hour) for hour in (0.0, 1.0, 9.0, 10.0, 30.0)]
    gaps = [(rows[1].time, rows[2].time), (rows[3].time, rows[4].time)]

    assert stretches(rows, gaps) == (tuple(rows[:2]), tuple(rows[2:4]), (rows[4],))
    assert stretches(rows, []) == (tuple(rows),)
    assert stretches([], gaps) == ()


def test_the_latest_of_many_equal_estimates_is_kept() -> None:
    rows = [
        brewery.estimate(float(hour), gravity_sg=1.03, gravity_low_sg=1.029, gravity_high_sg=1.031, temperature_c=19.0)
        for hour in range(100)
    ]

    assert thin(rows, 8)[-1] == rows[-1]


def test_few_estimates_are_all_kept() -> None:
    rows = brewery.estimates(1.0)

    assert thin(rows, 8) == rows


def test_too_few_points_to_keep_the_extremes_are_refused() -> None:
    with pytest.raises(ValueError, match="8 or more"):
        thin(brewery.estimates(10.0), 7)


def test_the_wanted_range_follows_the_plan() -> None:
    start, end = brewery.PITCHED, brewery.PITCHED + timedelta(days=7)

    first, second = wanted_ranges(brewery.harbour_pale(), start, end)

    assert (first.start, first.end, first.temperature_c) == (start, start + timedelta(days=5), (18.0, 20.5))
    assert (second.start, second.end, second.temperature_c) == (start + timedelta(days=5), end, (20.0, 22.5))


def test_a_step_beyond_the_last_estimate_is_not_drawn() -> None:
    (only,) = wanted_ranges(brewery.harbour_pale(), brewery.PITCHED, brewery.PITCHED + timedelta(days=2))

    assert only.temperature_c == (18.0, 20.5)


def test_a_batch_without_estimates_has_an_empty_graph() -> None:
    drawn = graph(brewery.harbour_pale(), (), ())

    assert (drawn.estimates, drawn.wanted, drawn.forecast) == ((), (), None)


def test_what_is_drawn_ends_with_the_probe_where_the_float_is_silent() -> None:
    probe = ProbeCourse(readings=(brewery.probed(1.0), brewery.probed(9.0)))

    drawn = graph(brewery.harbour_pale(), brewery.estimates(5.0), (), probe=probe)

    assert drawn.end == drawn.wanted[-1].end == brewery.PITCHED + timedelta(hours=9)
    assert graph(brewery.harbour_pale(), brewery.estimates(5.0), ()).end == brewery.PITCHED + timedelta(hours=5)


def test_the_nearest_reading_of_the_probe_is_found_but_none_in_its_silence() -> None:
    readings = tuple(brewery.probed(hours) for hours in (1.0, 2.0, 20.0, 21.0))
    probe = ProbeCourse(readings=readings, gaps=((readings[1].time, readings[2].time),))

    found = {hours: probe_at(probe, brewery.PITCHED + timedelta(hours=hours)) for hours in (-5, 0, 1.4, 1.6, 9, 22, 24)}

    assert found == {
        -5: None,
        0: readings[0],
        1.4: readings[0],
        1.6: readings[1],
        9: None,
        22: readings[3],
        24: None,
    }
    assert probe_at(ProbeCourse(), brewery.PITCHED) is None
