"""Finished only where somebody has seen the beer come down. Times are hours since pitching."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import pytest

from alerts.alert import Alert, Kind
from alerts.conditions import Observation
from alerts.settings import AlertSettings
from alerts.thresholds import Finished
from tests.alerts.scenario import (
    Brew,
    Course,
    at,
    constant,
    hours_of,
    kinds,
    logistic_gravity,
    raised,
    ramp,
    resolved,
    run,
    scenario,
    until,
)

FALLS = logistic_gravity()  # from 1.052 to 1.0125


def told(brew: Brew, shows: Course, samples: Mapping[float, float] | None = None) -> tuple[Alert, ...]:
    """What is told of a beer whose float shows `shows`, with hand samples by their hours."""
    return run(brew.settings, brew.batch, _observations(brew, shows, dict(samples or {})))[1]


def _observations(brew: Brew, shows: Course, samples: dict[float, float]) -> Iterator[Observation]:
    for seen in brew.observations():
        h = (seen.time - at(0)).total_seconds() / 3600
        yield replace(seen, float_gravity_sg=shows(h)) if seen.reading else seen
        if seen.reading and h in samples:
            yield Observation(time=at(h), estimate=brew.estimate(h), sample_sg=samples.pop(h))


def finished_h(alerts: tuple[Alert, ...]) -> float | None:
    found = raised(alerts, Kind.FERMENTATION_FINISHED)
    return hours_of(found[0]) if found else None


def plateau(alerts: tuple[Alert, ...]) -> str:
    return raised(alerts, Kind.ATTENUATION_PLATEAU)[0].summary


@pytest.mark.parametrize("shows_sg", [1.0125, 1.009], ids=["where it is believed", "below"])
def test_a_float_that_always_shows_one_gravity_never_tells_a_finish_and_the_plateau_says_why(shows_sg: float) -> None:
    alerts = told(scenario(), constant(shows_sg))

    assert finished_h(alerts) is None
    assert "float heron has itself shown 0 of 39 points. Two hand samples" in plateau(alerts)


def test_a_share_of_nothing_asks_for_no_witness() -> None:
    trusting = scenario(settings=AlertSettings(fermentation_finished=Finished(seen_share=0.0)))

    assert finished_h(told(trusting, ramp(0, 1.0125, 200, 1.0130))) == finished_h(told(trusting, FALLS))


@pytest.mark.parametrize("leaps_h", [10.0, 20.0])
def test_a_fall_in_one_leap_is_no_fermentation(leaps_h: float) -> None:
    alerts = told(scenario(), until(leaps_h, FALLS, constant(1.012)))

    assert finished_h(alerts) is None


def test_a_float_that_is_taken_out_and_put_back_has_still_seen_the_fall() -> None:
    out = until(45, FALLS, until(49, constant(0.950), FALLS))

    assert finished_h(told(scenario(), out)) == finished_h(told(scenario(), FALLS)) is not None


def test_a_float_that_reads_far_off_but_follows_the_beer_is_a_witness() -> None:
    alerts = told(scenario(), lambda h: 1.0 + (FALLS(h) - 1.0) * 0.8 - 0.006)

    assert finished_h(alerts) == finished_h(told(scenario(), FALLS))


def test_a_float_that_joins_while_the_beer_works_is_a_witness_and_one_that_joins_at_the_end_is_none() -> None:
    midway, late = (scenario(heard=lambda h, since=since: h >= since) for since in (40.0, 90.0))

    assert finished_h(told(midway, FALLS)) is not None
    assert finished_h(told(late, FALLS)) is None


@pytest.mark.parametrize("interval_h", [0.25, 1.0, 4.0])
def test_a_float_that_was_silent_while_the_beer_fell_has_seen_it_all_the_same(interval_h: float) -> None:
    alerts = told(scenario(heard=lambda h: not 20 <= h < 80, interval_h=interval_h), FALLS)

    assert finished_h(alerts) is not None


@pytest.mark.parametrize("interval_h", [0.05, 1.0, 4.0])
def test_it_does_not_matter_how_often_a_float_reports(interval_h: float) -> None:
    finish_h = finished_h(told(scenario(interval_h=interval_h), FALLS))

    assert finish_h == pytest.approx(finished_h(told(scenario(), FALLS)), abs=0.25 + 1.5 * interval_h)
    assert finished_h(told(scenario(interval_h=interval_h), constant(1.0125))) is None


@pytest.mark.parametrize(
    ("samples", "release_h"),
    [
        ({120.0: 1.0125, 168.0: 1.0120}, 168.0),
        ({120.0: 1.0125}, None),
        ({120.0: 1.0125, 140.0: 1.0125}, None),  # not far enough apart
        ({120.0: 1.0155, 168.0: 1.0125}, None),  # fell between
        ({120.0: 1.0144, 140.0: 1.0134, 176.0: 1.0124}, None),  # no step is great, and it still falls
        ({120.0: 1.0155, 144.0: 1.0125, 192.0: 1.0125}, 192.0),
        ({120.0: 1.0165, 168.0: 1.0165}, None),  # agree, but not with what is believed
    ],
)
def test_two_samples_that_agree_days_apart_stand_in_for_the_float(
    samples: dict[float, float], release_h: float | None
) -> None:
    alerts = told(scenario(), constant(1.0125), samples)

    assert finished_h(alerts) == release_h


def test_samples_from_before_an_addition_say_nothing_of_the_beer_after_it() -> None:
    sugared = scenario(additions=(150.0,))

    assert finished_h(told(sugared, constant(1.0125), {105.0: 1.0125, 145.0: 1.0125})) == 145.0
    assert finished_h(told(sugared, constant(1.0125), {120.0: 1.0125, 160.0: 1.0125})) is None


@pytest.mark.parametrize("shows_sg", [FALLS(45), 1.0125], ids=["where it was", "where it leapt to"])
def test_a_float_that_sticks_on_the_way_down_does_not_tell_a_finish(shows_sg: float) -> None:
    free = scenario()
    stuck = free.but(angle_deg=lambda h: free.reading(min(h, 45.0)).angle_deg)

    alerts = told(stuck, until(45, FALLS, constant(shows_sg)))

    assert Kind.FLOAT_STUCK in kinds(alerts)
    assert finished_h(alerts) is None
    assert resolved(alerts, Kind.FLOAT_STUCK) == ()
    assert "float heron sticks, and has itself shown" in plateau(alerts)


def test_a_float_that_came_down_with_the_beer_and_lies_still_with_it_tells_the_finish() -> None:
    abrupt = ramp(20, 1.052, 60, 1.0125)
    free = scenario(gravity_sg=abrupt)
    stops = free.but(angle_deg=lambda h: free.reading(min(h, 60.0)).angle_deg)

    alerts = told(stops, abrupt)

    finish_h = finished_h(alerts)
    assert finish_h is not None
    assert finish_h < 60 + 26


def test_a_float_that_shows_what_no_beer_can_have_is_not_asked() -> None:
    sinks = until(70, FALLS, constant(0.960))

    alerts = told(scenario(), sinks)

    assert Kind.GRAVITY_IMPLAUSIBLE in kinds(alerts)
    assert finished_h(alerts) is None
    assert "shows what this beer cannot have" in plateau(alerts)
