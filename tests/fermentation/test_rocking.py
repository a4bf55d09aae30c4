"""A float that sticks is told by how still it hangs, against how it rocked before."""

from __future__ import annotations

import numpy as np
import pytest

from fermentation.rocking import Rocking


def after(
    rocking: Rocking, count: int, sd_deg: float, *, works: bool, step_deg: float = 0.01, seed: int = 1
) -> Rocking:
    """After so many angles that scatter about 40 degrees and are rounded to `step_deg`."""
    for angle in np.random.default_rng(seed).normal(40.0, sd_deg, count).tolist():
        rocking = rocking.after(round(angle / step_deg) * step_deg, works=works)
    return rocking


def working(*, calm_deg: float = 0.2, working_deg: float = 0.4, step_deg: float = 0.01) -> Rocking:
    """After a calm day and a day of work."""
    calm = after(Rocking(), 96, calm_deg, works=False, step_deg=step_deg)
    return after(calm, 96, working_deg, works=True, step_deg=step_deg, seed=2)


@pytest.mark.parametrize("step_deg", [0.01, 0.1])
def test_a_float_that_hangs_stiller_than_it_ever_did_in_beer_sticks(step_deg: float) -> None:
    free = working(step_deg=step_deg)

    stuck = after(free, 16, 0.02, works=True, step_deg=step_deg)

    assert not free.sticks
    assert stuck.sticks


@pytest.mark.parametrize("seed", range(8))
def test_a_beer_that_comes_to_rest_under_its_float_is_no_float_that_sticks(seed: int) -> None:
    told, doubted = working(), 0

    for angle in np.random.default_rng(seed).normal(40.0, 0.13, 192).tolist():
        told = told.after(angle, works=True)
        doubted += told.sticks

    # By chance it hangs as still as that for an hour now and then.
    assert doubted <= 12


def test_one_calm_hour_by_chance_tells_nothing() -> None:
    assert not after(working(), 6, 0.02, works=True).sticks


def test_a_float_at_rest_in_beer_at_rest_does_not_stick() -> None:
    assert not after(working(), 96, 0.0, works=False).sticks


def test_a_float_that_comes_free_is_believed_at_once_and_a_wild_packet_frees_none() -> None:
    stuck = after(working(), 40, 0.02, works=True)

    astray = stuck.after(120.0, works=True)
    free = stuck.after(37.0, works=True).after(36.7, works=True)

    assert stuck.sticks
    assert astray.sticks
    assert not free.sticks


def test_what_is_usual_is_not_learnt_from_a_float_that_may_stick() -> None:
    free = working()

    stuck = after(free, 200, 0.02, works=True)

    assert stuck.calm_deg == free.calm_deg
    # The first few spans still hold angles from before.
    assert stuck.working_deg == pytest.approx(free.working_deg, rel=0.3)


def test_a_beer_that_works_from_the_first_hour_shows_how_a_float_rocks_in_it() -> None:
    free = after(Rocking(), 96, 0.5, works=True)

    assert not free.sticks
    assert after(free, 16, 0.02, works=True).sticks
