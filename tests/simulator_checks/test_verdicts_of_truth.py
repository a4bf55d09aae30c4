"""What the benchmark counts as a temperature alert that is right: told by the true temperature and the plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from benchmarks.scores import Event
from benchmarks.verdicts import Tally, tally
from gylewatch.values import PlanStep
from tests.simulator.scenario import Brew, simulate

KIND = "temperature-out-of-range"
BREW = simulate(5)


def crashed(*hours_and_c: tuple[float, float]) -> Brew:
    """A beer wanted at 18 to 21 C and from hour 120 on at 1 to 6 C, with straight lines of temperature between."""
    hours, temperatures = zip(*hours_and_c, strict=True)
    crash = PlanStep(start=BREW.batch.pitched + timedelta(hours=120), temperature_c=(1.0, 6.0), label="cold crash")
    return replace(
        BREW,
        batch=replace(BREW.batch, temperature_c=(18.0, 21.0), plan=(crash,)),
        truth=replace(BREW.truth, temperature_c=np.interp(BREW.truth.time_h, hours, temperatures)),
    )


def counted(brew: Brew, *raised_h: float) -> Tally:
    return tally([(brew, tuple(Event(time_h=at_h, kind=KIND) for at_h in raised_h))])[KIND]


@pytest.mark.parametrize("at_h", [125.0, 140.0, 155.0])
def test_an_alert_while_the_beer_is_on_its_way_into_the_cold_is_false(at_h: float) -> None:
    assert counted(crashed((0, 19), (120, 19), (160, 4)), at_h).false == 1


def test_a_cold_crash_that_goes_on_below_the_range_is_told_rightly_while_it_settles_and_must_be_told() -> None:
    # Inside the range at 143.1 h, below it from 150 h on and down to -1 C at 153 h, which is within the two days.
    brew = crashed((0, 19), (120, 19), (150, 1), (153, -1))

    assert (counted(brew, 154.0).false, counted(brew, 154.0).told, counted(brew, 154.0).due) == (0, 1, 1)
    assert counted(brew, 148.0).false == 1, "inside the range, however near the departure"
    assert counted(brew, 150.2).false == 0, "just outside, and on its way to a departure"
    assert counted(brew).missed_seeds == [brew.seed]


def test_a_beer_that_has_come_into_its_range_may_not_leave_it_again_within_the_two_days() -> None:
    brew = crashed((0, 19), (120, 19), (130, 4), (134, 4), (138, 8))

    assert counted(brew, 139.0).false == 0
    assert counted(brew, 134.0).false == 1


def test_a_beer_that_has_not_come_into_its_range_after_two_days_is_outside() -> None:
    brew = crashed((0, 19), (120, 19), (130, 9))

    assert counted(brew, 166.0).false == 1
    assert counted(brew, 170.0).false == 0


def test_a_temperature_at_the_edge_of_the_range_is_no_departure() -> None:
    assert counted(crashed((0, 21.05), (120, 21.05), (130, 4)), 60.0).false == 1
