"""A head of foam that breaks at once: the float falls back to the beer, and the estimate with it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from fermentation import foam, smooth
from fermentation.belief import cloud_of
from fermentation.estimate import Estimate
from fermentation.evidence import innovation
from fermentation.gravity import gravity_rows
from tests.fermentation.brew import PITCHED, Law, after, batch, logistic_points, readings, run


def under_foam(points: float, until_h: float) -> Law:
    """What a float reads under a head that grows from 18 h on and breaks at once."""

    def law(hours: float) -> float:
        grown = 1.0 - float(np.exp(-max(hours - 18.0, 0.0) / 8.0))
        return logistic_points(hours) + (points * grown if hours < until_h else 0.0)

    return law


def errors(law: Law, breaks_h: float, seed: int) -> tuple[float, float]:
    """Points by which a brew of its own noise and draws is off an hour before the break, and seven hours behind it."""
    begins = replace(batch(), pitched=PITCHED - timedelta(minutes=seed))
    _, estimates = run(smooth.start(begins), readings(breaks_h + 7.0, law, seed=seed))
    before = next(estimate for estimate in estimates if estimate.time >= after(breaks_h - 1.0))
    return off(before), off(estimates[-1])


def off(estimate: Estimate) -> float:
    hours = (estimate.time - PITCHED) / timedelta(hours=1)
    return abs((estimate.gravity_sg - 1.0) * 1000.0 - logistic_points(hours))


@pytest.mark.parametrize("breaks_h", [48.0, 60.0])
def test_a_head_that_breaks_is_not_taken_for_a_knock(breaks_h: float) -> None:
    law = under_foam(4.0, breaks_h)
    before, behind = np.array([errors(law, breaks_h, seed) for seed in range(6)]).T

    # As a lasting knock of the float it would leave the estimate where the foam had put it: three points off.
    assert np.median(before) > 3.0
    assert np.median(behind) < 1.6


def test_one_wild_reading_is_no_break() -> None:
    law = under_foam(3.0, 200.0)
    taken = readings(70.0, law)
    wild = readings(70.0, lambda hours: law(hours) - (6.0 if 55.9 < hours < 56.1 else 0.0))

    _, calm = run(smooth.start(batch()), taken)
    _, shaken = run(smooth.start(batch()), wild)

    apart = [abs(a.gravity_sg - b.gravity_sg) * 1000.0 for a, b in zip(calm, shaken, strict=True)]
    assert max(apart[:224]) == 0.0, "the two differ in one reading only"
    assert apart[-1] < 0.5


def test_a_head_may_break_in_a_silence_of_years() -> None:
    belief, _ = run(smooth.start(batch()), readings(60.0, under_foam(4.0, 200.0)))
    cloud = cloud_of(belief)
    measured = innovation(cloud, *gravity_rows(cloud), logistic_points(60.0) - 6.0)

    broken, _ = foam.break_heads(cloud, measured, sd=0.5, days=4000.0, draws=lambda: np.random.default_rng(1))

    assert np.isfinite(broken.log_weight).all()
    assert broken.foamy.sum() < cloud.foamy.sum()
