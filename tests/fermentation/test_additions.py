"""Sugar put in: what rises, what stays, and how soon the float is believed again."""

from __future__ import annotations

import numpy as np
import pytest

from fermentation import smooth
from fermentation.additions import add, undissolved_points
from fermentation.belief import FINAL, ORIGINAL, TAIL, Cloud, Z, cloud_of
from fermentation.gravity import gravity_points, gravity_rows, spreads
from gylewatch.copying import replace
from gylewatch.values import Addition
from tests.fermentation.brew import after, batch, logistic_points, readings, run

SUGAR = Addition(time=after(40.0), gravity_points=8.0, label="candy sugar")
FRUIT = Addition(time=after(40.0), label="cherries")


@pytest.fixture(scope="module")
def before() -> Cloud:
    belief, _ = run(smooth.start(batch()), readings(40.0))
    return cloud_of(belief)


def test_a_weighed_addition_raises_gravity_and_original_gravity_by_as_much(before: Cloud) -> None:
    now = add(before, SUGAR, np.random.default_rng(1))

    assert now.mean[ORIGINAL] - before.mean[ORIGINAL] == pytest.approx(8.0)
    assert now.mean[FINAL] == pytest.approx(before.mean[FINAL])
    assert gravity_points(now) - gravity_points(before) == pytest.approx(8.0, abs=0.3)
    assert np.linalg.eigvalsh(np.moveaxis(now.covariance, 2, 0)).min() > -1e-9


def test_what_is_uncertain_of_the_gravity_stays_and_the_scales_are_added(before: Cloud) -> None:
    now = add(before, SUGAR, np.random.default_rng(1))

    was, is_now = (spreads(cloud, gravity_rows(cloud)[1], (0.0,))[0] for cloud in (before, now))
    assert np.sqrt(is_now**2 - 0.8**2) == pytest.approx(was, rel=0.1)


def test_of_an_unweighed_addition_each_size_is_thought_possible(before: Cloud) -> None:
    now = add(before, FRUIT, np.random.default_rng(1))

    rise = gravity_points(now) - gravity_points(before)
    assert np.quantile(rise, (0.1, 0.5, 0.9)) == pytest.approx((1.0, 5.4, 13.2), abs=0.5)


def test_added_to_a_beer_at_rest_all_of_it_is_there_to_be_fermented(before: Cloud) -> None:
    mean = before.mean.copy()
    mean[Z] = 11.0

    now = add(replace(before, mean=mean), SUGAR, np.random.default_rng(1))

    assert gravity_points(now) - now.mean[FINAL] - now.mean[TAIL] == pytest.approx(8.0, abs=0.1)
    assert np.sqrt(now.covariance[Z, Z]).max() < 0.6


@pytest.mark.parametrize(("known", "off_by"), [(8.0, 2.5), (None, 3.0)])
def test_the_size_of_an_addition_is_found_though_it_dissolves_slowly(known: float | None, off_by: float) -> None:
    sugar = Addition(time=after(60.0), gravity_points=known)

    def sugared(t: float) -> float:
        worked = max(t - 60.0, 0.0)
        return logistic_points(t) + 8.0 * (1.0 - float(np.exp(-worked / 1.5))) * float(np.exp(-worked / 40.0))

    _, estimates = run(smooth.start(batch(additions=(sugar,))), readings(220.0, sugared))

    day_later = next(each for each in estimates if each.time >= after(84.0))
    assert 1000.0 * (day_later.gravity_sg - 1.0) == pytest.approx(sugared(84.0), abs=off_by)
    assert 1000.0 * (estimates[-1].original_gravity_sg - 1.0) == pytest.approx(60.0, abs=3.0)


def test_what_is_not_dissolved_is_forgotten_within_a_day() -> None:
    additions = (SUGAR, FRUIT)

    assert undissolved_points(additions, after(39.0)) == 0.0
    assert undissolved_points((SUGAR,), after(40.0)) == pytest.approx(8.0)
    assert undissolved_points(additions, after(44.0)) == pytest.approx(16.0 * np.exp(-2.0))
    assert undissolved_points(additions, after(64.0)) == 0.0
