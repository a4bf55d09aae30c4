"""When it finishes: the moment to which the curve itself leads."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from fermentation import smooth
from fermentation.belief import FINAL, ORIGINAL, TAIL, Belief, Cloud, FloatArray, cloud_of
from fermentation.forecast import FINISH_POINTS, hours_to_finish
from fermentation.kinetics import advance, progress
from fermentation.motion import effective_k, pace_of
from fermentation.prior import PARTICLES
from tests.fermentation.brew import batch, readings, run

EACH_TENTH = range(0, PARTICLES, 10)


@pytest.fixture(scope="module")
def working() -> Belief:
    """A belief in the midst of a brew, nowhere stalled, without slow sugars."""
    belief, _ = run(smooth.start(batch()), readings(40.0))
    cloud = cloud_of(belief)
    mean = cloud.mean.copy()
    mean[TAIL] = 0.0
    return replace(belief, cloud=replace(cloud, mean=mean, stalled=np.zeros_like(cloud.stalled)))


def _carried(cloud: Cloud, k_per_h: FloatArray, hours: float) -> FloatArray:
    """(n,) progress z after `hours`, in steps fine enough for curves that end at once."""
    z, steps = cloud.z, 200
    for _ in range(steps):
        z, _speed = advance(z, k_per_h, cloud.shape, hours / steps)
    return z


def test_at_the_finish_a_beer_falls_by_a_point_in_two_days_as_far_as_that_can_be_seen(working: Belief) -> None:
    cloud = cloud_of(working)
    k = effective_k(cloud, pace_of(working))
    drop = cloud.mean[ORIGINAL] - cloud.mean[FINAL]

    hours, _ = hours_to_finish(working)

    for one in EACH_TENTH:
        moved = [_carried(cloud, k, float(hours[one]) + more)[one] for more in (0.0, 1.0)]
        left = drop[one] * (1.0 - progress(np.array(moved)))
        rate = 24.0 * (left[0] - left[1])
        if 0.12 < left[0] < 0.95 * FINISH_POINTS[1]:
            assert rate == pytest.approx(0.5, rel=0.1)
        elif left[0] <= 0.12:  # however fast: no instrument sees a tenth of a point
            assert rate > 0.45
            assert left[0] == pytest.approx(0.1, abs=0.02)
        else:  # however slow: with more than that left it only pauses
            assert rate < 0.55
            assert left[0] == pytest.approx(FINISH_POINTS[1], abs=0.05)


def test_slow_sugars_put_the_finish_off_until_little_of_them_is_left(working: Belief) -> None:
    cloud = cloud_of(working)
    mean = cloud.mean.copy()
    mean[TAIL] = 30.0  # for so long that with nearly all the easy sugars are gone before

    without, _ = hours_to_finish(working)
    hours, _ = hours_to_finish(replace(working, cloud=replace(cloud, mean=mean)))

    put_off = hours > without
    left = 30.0 * np.exp(-hours * pace_of(working) / cloud.tail_hours)
    assert put_off.mean() > 0.95
    assert left[put_off] == pytest.approx(FINISH_POINTS[1])


@pytest.mark.parametrize("seed", [3, 4])
def test_the_finish_of_a_beer_that_has_not_reached_it_lies_ahead(seed: int) -> None:
    belief, passed = smooth.start(batch()), 0
    for reading in readings(160.0, seed=seed):
        belief, estimate = smooth.step(belief, reading)
        assert estimate is not None
        assert estimate.forecast is not None
        low, middle, high = estimate.forecast.finish_low, estimate.forecast.finish_time, estimate.forecast.finish_high
        if low is None or middle is None or high is None:
            continue
        assert low <= middle <= high
        if not estimate.phase.is_over:
            assert low >= estimate.time
            assert high >= estimate.time + timedelta(hours=6)
            passed += int(belief.finish is not None and belief.finish[0] < estimate.time)

    assert passed > 0, "no forecast was passed in this brew"
