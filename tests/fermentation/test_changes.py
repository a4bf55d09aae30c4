"""What happens at once: a beer near its end may creep on, its gravity staying what it was."""

from __future__ import annotations

import numpy as np
import pytest

from fermentation import smooth
from fermentation.belief import FINAL, TAIL, Cloud, FloatArray, cloud_of
from fermentation.changes import CREEPS_ON_SD_POINTS, draw_changes
from fermentation.gravity import gravity_points, gravity_rows
from fermentation.prior import renewal
from tests.fermentation.brew import batch, logistic_points, readings, run

END_H, CREEP_H, CREEP_POINTS_PER_DAY = 100.0, 220.0, 1.0


def creeping_points(hour: float) -> float:
    """A beer that falls by a point a day once the easy sugars are gone."""
    return logistic_points(hour) - CREEP_POINTS_PER_DAY * (min(max(hour, END_H), CREEP_H) - END_H) / 24.0


def gravity_sd(cloud: Cloud) -> FloatArray:
    _, rows = gravity_rows(cloud)
    variance: FloatArray = np.einsum("jn,jkn,kn->n", rows, cloud.covariance, rows)
    return np.sqrt(variance)


def test_a_beer_that_may_creep_on_has_the_gravity_it_had() -> None:
    belief, _ = run(smooth.start(batch()), readings(90.0))
    before = cloud_of(belief)

    after = draw_changes(before, 24.0, 1.0, np.random.default_rng(5), renewal(batch(), 20.0))

    on = (after.mean[TAIL] != before.mean[TAIL]) & ~after.renewed
    assert on.sum() > 20
    np.testing.assert_allclose(gravity_points(after)[on], gravity_points(before)[on], atol=0.05)
    np.testing.assert_allclose(gravity_sd(after)[on], gravity_sd(before)[on], atol=0.05)
    assert (after.mean[FINAL][on] < before.mean[FINAL][on] + before.mean[TAIL][on]).all()
    assert after.covariance[TAIL, TAIL][on] == pytest.approx(CREEPS_ON_SD_POINTS**2)
    assert np.linalg.eigvalsh(np.moveaxis(after.covariance, 2, 0)).min() > -1e-3


def test_a_beer_that_creeps_on_for_days_is_not_held_to_be_at_rest() -> None:
    _, estimates = run(smooth.start(batch()), readings(CREEP_H, creeping_points))

    hours = [(each.time - batch().pitched).total_seconds() / 3600.0 for each in estimates]
    creeping = [(hour, each) for hour, each in zip(hours, estimates, strict=True) if hour > END_H + 48.0]
    errors = [1000.0 * (each.gravity_sg - 1.0) - creeping_points(hour) for hour, each in creeping]
    assert float(np.median([each.rate_points_per_day for _, each in creeping])) > 0.35
    assert float(np.median([each.probability_still for _, each in creeping])) < 0.7
    assert float(np.median(np.abs(errors))) < 2.0
