"""A head of foam that breaks at once: the float falls back to the beer, and the estimate with it."""

from __future__ import annotations

import numpy as np
import pytest

from fermentation import smooth
from tests.fermentation.brew import Law, after, batch, logistic_points, readings, run


def under_foam(points: float, until_h: float) -> Law:
    """What a float reads under a head that grows from 18 h on and breaks at once."""

    def law(hours: float) -> float:
        grown = 1.0 - float(np.exp(-max(hours - 18.0, 0.0) / 8.0))
        return logistic_points(hours) + (points * grown if hours < until_h else 0.0)

    return law


@pytest.mark.parametrize("points", [4.0, -4.0])
@pytest.mark.parametrize("breaks_h", [48.0, 60.0])
@pytest.mark.parametrize("seed", [3, 4])
def test_a_head_that_breaks_is_not_taken_for_a_knock(points: float, breaks_h: float, seed: int) -> None:
    taken = readings(breaks_h + 7.0, under_foam(points, breaks_h), seed=seed)
    _, estimates = run(smooth.start(batch()), taken)

    before = next(e for e in estimates if e.time >= after(breaks_h - 1.0))
    last = estimates[-1]

    def error(at_h: float, gravity_sg: float) -> float:
        return (gravity_sg - 1.0) * 1000.0 - logistic_points(at_h)

    # As a lasting knock of the float it would leave the estimate where the foam had put it.
    assert abs(error(breaks_h - 1.0, before.gravity_sg)) > 1.5
    assert abs(error(breaks_h + 6.75, last.gravity_sg)) < 1.3
    assert abs(last.bias_points) < 1.0


def test_one_wild_reading_is_no_break() -> None:
    law = under_foam(3.0, 200.0)
    taken = readings(70.0, law)
    wild = readings(70.0, lambda hours: law(hours) - (6.0 if 55.9 < hours < 56.1 else 0.0))

    _, calm = run(smooth.start(batch()), taken)
    _, shaken = run(smooth.start(batch()), wild)

    apart = [abs(a.gravity_sg - b.gravity_sg) * 1000.0 for a, b in zip(calm, shaken, strict=True)]
    assert max(apart[:224]) == 0.0, "the two differ in one reading only"
    assert apart[-1] < 0.5
