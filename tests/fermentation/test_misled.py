"""A float that is off for good: hand samples say so, and further readings do not argue it away."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from fermentation import smooth
from fermentation.estimate import Estimate
from tests.fermentation.brew import PITCHED, after, batch, hand, logistic_points, readings


def followed(off_points: float, samples: dict[float, float], *, until_h: float = 160.0) -> list[Estimate]:
    """Estimates of a brew whose float reads so far off, with hand samples that err by so many points at their hours."""
    belief, estimates, waiting = smooth.start(batch()), list[Estimate](), sorted(samples.items())
    for reading in readings(until_h, lambda hours: logistic_points(hours) + off_points):
        while waiting and after(waiting[0][0]) <= reading.time:
            hour, error = waiting.pop(0)
            belief, _ = smooth.observe_sample(belief, hand(hour, logistic_points(hour) + error))
        belief, estimate = smooth.step(belief, reading)
        if estimate is not None:
            estimates.append(estimate)
    return estimates


def errors(estimates: list[Estimate], from_h: float) -> list[float]:
    """Points by which the estimates from an hour on are off."""
    return [
        (estimate.gravity_sg - 1.0) * 1000.0 - logistic_points((estimate.time - PITCHED) / timedelta(hours=1))
        for estimate in estimates
        if estimate.time >= after(from_h)
    ]


@pytest.mark.parametrize("off_points", [8.0, -8.0, 5.0])
def test_two_samples_correct_a_float_that_is_off_by_the_same_all_the_time(off_points: float) -> None:
    left = errors(followed(off_points, {4.0: 0.0, 50.0: 0.0}), from_h=51.0)

    assert np.median(np.abs(left)) < 1.5
    assert max(np.abs(left)) < 3.5


def test_one_sample_near_the_end_is_not_argued_away() -> None:
    left = errors(followed(-7.0, {70.0: 0.0}), from_h=100.0)

    assert np.median(np.abs(left)) < 1.5


def test_a_misread_sample_is_put_right_by_the_next() -> None:
    misled = errors(followed(0.0, {50.0: 8.0, 74.0: 0.0}), from_h=76.0)

    assert np.median(np.abs(misled)) < 1.5
