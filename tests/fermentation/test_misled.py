"""A float that is off for good: hand samples say so, and further readings do not argue it away."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from fermentation import misled, smooth
from fermentation.belief import MODES, OFFSET, THERMAL, cloud_of
from fermentation.estimate import Estimate
from fermentation.evidence import innovation
from fermentation.gravity import gravity_rows
from tests.fermentation.brew import PITCHED, after, batch, hand, logistic_points, readings, run


def followed(
    off_points: float, samples: dict[float, float], *, until_h: float = 160.0, original_gravity_sg: float | None = 1.052
) -> list[Estimate]:
    """Estimates of a brew whose float reads so far off, with hand samples that err by so many points at their hours."""
    belief = smooth.start(batch(original_gravity_sg=original_gravity_sg))
    estimates, waiting = list[Estimate](), sorted(samples.items())
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


@pytest.mark.parametrize("off_points", [8.0, -8.0])
@pytest.mark.parametrize("hour", [4.0, 20.0, 50.0])
def test_one_sample_corrects_a_float_that_the_measured_original_gravity_contradicted_as_well(
    off_points: float, hour: float
) -> None:
    left = errors(followed(off_points, {hour: 0.0}), from_h=hour + 1.0)

    assert max(np.abs(left)) < 2.0


def test_a_measured_original_gravity_speaks_for_the_offset_or_against_it() -> None:
    cloud = cloud_of(run(smooth.start(batch()), readings(30.0))[0])
    measured = innovation(cloud, *gravity_rows(cloud), logistic_points(30.0) + 6.0)

    def drawn(original_points: float | None) -> float:
        allowed, _ = misled.allow_lasting(
            cloud,
            measured,
            sd=0.7,
            by_original=0.0,
            original_points=original_points,
            draws=lambda: np.random.default_rng(1),
        )
        moved = allowed.covariance[OFFSET, OFFSET] > 2.0 * cloud.covariance[OFFSET, OFFSET]
        return float(np.exp(allowed.log_weight) @ moved) / float(np.exp(allowed.log_weight).sum())

    assert drawn(60.0) > drawn(None) > drawn(52.0)


def test_one_sample_near_the_end_is_not_argued_away() -> None:
    left = errors(followed(-7.0, {70.0: 0.0}), from_h=100.0)

    assert np.median(np.abs(left)) < 1.5


def test_a_misread_sample_is_put_right_by_the_next() -> None:
    misled = errors(followed(0.0, {50.0: 8.0, 74.0: 0.0}), from_h=76.0)

    assert np.median(np.abs(misled)) < 1.5


@pytest.mark.parametrize(
    ("samples", "original_gravity_sg"),
    [({50.0: 8.0}, 1.052), ({4.0: 0.0, 50.0: -8.0}, None)],
    ids=["the original gravity", "an earlier sample"],
)
def test_a_misread_sample_is_not_laid_to_a_float_that_agreed_before(
    samples: dict[float, float], original_gravity_sg: float | None
) -> None:
    misled_by = errors(followed(0.0, samples, until_h=110.0, original_gravity_sg=original_gravity_sg), from_h=52.0)

    assert max(np.abs(misled_by)) < 3.0


def test_only_the_offset_of_all_that_is_the_float_s_own_makes_up_for_a_sample() -> None:
    def warmth(hours: float) -> float:  # at last as at first
        return 19.0 + 2.0 * max(0.0, 1.0 - abs(hours - 20.0) / 10.0)

    belief, _ = run(smooth.start(batch(original_gravity_sg=None)), readings(40.0, temperature=warmth))
    cloud = cloud_of(belief)
    measured = innovation(cloud, *gravity_rows(cloud), 60.0)

    allowed, _ = misled.allow_lasting(
        cloud, measured, sd=0.7, by_original=0.0, original_points=None, draws=lambda: np.random.default_rng(1)
    )

    own = [THERMAL, *range(MODES, len(cloud.mean))]
    assert np.array_equal(allowed.covariance[own], cloud.covariance[own])
    assert (allowed.covariance[OFFSET, OFFSET] > cloud.covariance[OFFSET, OFFSET]).any()
