"""The learnt scatter: it follows what the readings do, and no single reading."""

from __future__ import annotations

import numpy as np
import pytest

from fermentation import smooth
from fermentation.scatter import LATELY, LOCAL_GROWTH, RANGE_POINTS, followed, local_scatter
from tests.fermentation.brew import batch, gravity, logistic_points, run

Lately = list[tuple[float, float]]


def heard(points: list[float], *, every_h: float = 0.25) -> Lately:
    return [(every_h * i, each) for i, each in enumerate(points)]


@pytest.mark.parametrize("sd", [0.2, 1.0, 5.0])
def test_scatter_about_a_falling_gravity_is_found_without_the_fall(sd: float) -> None:
    draw, found = np.random.default_rng(5), []
    for _ in range(400):
        hours = np.cumsum(draw.uniform(0.1, 0.5, LATELY))  # intervals that differ
        points = 40.0 - 0.8 * hours + sd * draw.standard_normal(LATELY)
        found.append(local_scatter(list(zip(hours.tolist(), points.tolist(), strict=True))))

    assert np.median([each for each in found if each is not None]) == pytest.approx(sd, rel=0.1)


@pytest.mark.parametrize("change", ["wild packet", "step"])
def test_one_wild_packet_or_step_is_outvoted(change: str) -> None:
    points = [20.0 + 0.1 * (-1) ** i for i in range(LATELY)]
    calm = local_scatter(heard(points))
    for i in [6] if change == "wild packet" else range(6, LATELY):
        points[i] += 15.0

    assert local_scatter(heard(points)) == pytest.approx(calm, rel=0.01)


def test_wild_packets_widen_the_scatter_by_steps_only() -> None:
    points = [20.0 + 0.1 * (-1) ** i for i in range(LATELY)]
    points[3] = points[7] = -40.0

    assert followed(0.2, heard(points), surprise=0.1, variance=0.0) == 0.2 * LOCAL_GROWTH


def test_a_wild_packet_among_the_first_readings_leaves_the_scatter_small() -> None:
    """It was the neighbour of half of them: the scatter was believed to be eight points, and the start told late."""
    draw = np.random.default_rng(3)
    taken = [gravity(0.25 * i, 52.0 + 0.3 * float(draw.standard_normal())) for i in range(16)]
    taken[4] = gravity(1.0, -38.0)

    belief, _ = run(smooth.start(batch()), taken)

    assert belief.noise_points < 1.0


def test_few_readings_or_readings_far_apart_tell_nothing() -> None:
    assert local_scatter(heard([20.0, 21.0, 20.0, 21.0])) is None
    assert local_scatter(heard([20.0, 21.0] * 6, every_h=5.0)) is None
    assert local_scatter([(1.0, 20.0)] * LATELY) is None


def test_without_neighbours_the_surprises_are_followed_within_the_range() -> None:
    noise = 1.0
    for _ in range(200):
        noise = followed(noise, (), surprise=0.0, variance=0.0)
    assert noise == RANGE_POINTS[0]
    for _ in range(200):
        noise = followed(noise, (), surprise=30.0, variance=0.0)
    assert noise == RANGE_POINTS[1]


def test_a_float_that_lay_still_and_is_shaken_by_the_gas_is_still_followed() -> None:
    """Its readings were all taken for wild packets, and the estimate was up to 19 points off."""
    draw, hours = np.random.default_rng(11), np.arange(0.0, 66.0, 0.25).tolist()
    true = [logistic_points(hour, middle_h=40.0) for hour in hours]
    taken = [
        gravity(hour, points + (0.06 if hour < 24.0 else 8.0) * float(draw.standard_t(4)))
        for hour, points in zip(hours, true, strict=True)
    ]

    _, estimates = run(smooth.start(batch()), taken)

    errors = [abs(1000.0 * (each.gravity_sg - 1.0) - points) for each, points in zip(estimates, true, strict=True)]
    assert float(np.median(errors[96:])) < 4.0
    assert max(errors[96:]) < 8.0
