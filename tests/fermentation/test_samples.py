"""Hand samples: what their instrument needs to know of the beer, and how far they are believed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from calibration.hydrometry import HandGravity
from fermentation import smooth
from gylewatch.values import Instrument
from tests.fermentation.brew import batch, hand, logistic_points, readings, run


def refractometer(hours: float, at_points: float, *, by_original: float, original_sg: float) -> HandGravity:
    """What a refractometer says that was corrected by an original gravity."""
    return replace(
        hand(hours, at_points, 1.0),
        instrument=Instrument.REFRACTOMETER,
        by_original=by_original,
        original_gravity_sg=original_sg,
    )


def points(gravity_sg: float) -> float:
    """Points above 1.000."""
    return (gravity_sg - 1.0) * 1000.0


def test_a_refractometer_is_not_misled_by_an_original_gravity_that_the_float_has_put_right() -> None:
    """Corrected by 1.060 in place of 1.052 it reads nearly five points low: the float knows better."""
    belief, _ = run(smooth.start(batch(original_gravity_sg=1.060)), readings(60.0))
    true, low = logistic_points(60.0), -0.6 * 8.0

    _, by_measured = smooth.observe_sample(belief, hand(60.0, true + low, 1.0))
    _, by_belief = smooth.observe_sample(belief, refractometer(60.0, true + low, by_original=-0.6, original_sg=1.060))

    assert by_measured is not None
    assert by_belief is not None
    assert points(by_belief.gravity_sg) == pytest.approx(true, abs=1.0)
    assert abs(points(by_measured.gravity_sg) - true) > abs(points(by_belief.gravity_sg) - true)


def test_a_refractometer_and_a_float_tell_of_the_original_gravity_together() -> None:
    fresh = batch(original_gravity_sg=None)
    belief, _ = run(smooth.start(fresh), readings(60.0))
    before = smooth.original_gravity_sg(belief)
    assert before is not None

    belief, _ = smooth.observe_sample(
        belief, refractometer(60.0, logistic_points(60.0) - 2.4, by_original=-0.6, original_sg=before)
    )

    after = smooth.original_gravity_sg(belief)
    assert after is not None
    # Corrected by a lower original gravity it would have read higher, as the float does.
    assert points(after) < points(before)


def test_before_the_first_reading_nothing_is_believed_of_the_original_gravity() -> None:
    assert smooth.original_gravity_sg(smooth.start(batch())) is None


@pytest.mark.parametrize("error", [8.0, -8.0])
def test_a_blunder_with_an_exact_instrument_is_as_likely_as_with_a_coarse_one(error: float) -> None:
    """A density meter is good to 0.3 points: eight off seemed impossible, and the float was given up for it."""
    belief, estimates = run(smooth.start(batch()), readings(110.0))

    _, estimate = smooth.observe_sample(belief, hand(110.0, logistic_points(110.0) + error, 0.3))

    assert estimate is not None
    assert points(estimate.gravity_sg) == pytest.approx(points(estimates[-1].gravity_sg), abs=3.0)
