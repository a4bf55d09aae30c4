"""Exchanging the kind of ending a particle was born with for the other: exact, and in its share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fermentation import moves
from fermentation.belief import FINAL, ORIGINAL, TAIL, Cloud, FloatArray
from fermentation.evidence import towards_state
from fermentation.prior import CREEPING_SHARE, endings, seed_cloud
from tests.fermentation.brew import batch

ENDINGS = endings(batch(), 52.0)


def of_one_kind(*, creeping: bool, left: float = 1.0) -> Cloud:
    """Particles all of one kind of ending, of whose slow sugars a share is left."""
    cloud = seed_cloud(batch(), 52.0, 19.0, 1, np.random.default_rng(1))
    kinds, kind = ENDINGS.creep, int(creeping)
    mean, covariance = cloud.mean.copy(), cloud.covariance.copy()
    mean[TAIL], covariance[TAIL, TAIL] = left * kinds.points[kind], (left * kinds.sd_points[kind]) ** 2
    share, kind_of_each = np.full(len(cloud.z), left), np.full(len(cloud.z), creeping)
    return replace(cloud, creeping=kind_of_each, tail_left=share, mean=mean, covariance=covariance)


def told(cloud: Cloud, value: float, sd: float) -> Cloud:
    """The cloud after a plain Kalman update by a measurement of final gravity and tail together."""
    rows = np.zeros_like(cloud.mean)
    rows[[FINAL, TAIL]] = 1.0
    measured = towards_state(cloud, value - cloud.mean[FINAL] - cloud.mean[TAIL], rows)
    gain = measured.towards / (measured.variance + sd**2)
    covariance = (cloud.covariance - gain[:, None] * measured.towards[None, :]).astype(np.float32)
    return replace(cloud, mean=cloud.mean + gain * measured.surprise, covariance=covariance)


def always(kind: int) -> moves.Endings:
    share = 1.0 - 1e-12 if kind else 1e-12
    return replace(ENDINGS, creep=replace(ENDINGS.creep, share=share), outcome=replace(ENDINGS.outcome, share=1e-12))


@pytest.mark.parametrize("left", [1.0, 0.4])
@pytest.mark.parametrize("creeping", [False, True])
def test_the_exchange_gives_what_the_other_prior_would_have_given(creeping: bool, left: float) -> None:
    begun_so = told(of_one_kind(creeping=creeping, left=left), 14.0, 0.4)
    begun_otherwise = told(of_one_kind(creeping=not creeping, left=left), 14.0, 0.4)
    changed = moves.redraw(begun_otherwise, always(int(creeping)), np.random.default_rng(2))
    assert (changed.creeping == creeping).all()
    plain = ~begun_so.poor
    np.testing.assert_allclose(changed.mean[:, plain], begun_so.mean[:, plain], rtol=1e-5, atol=1e-5)
    np.testing.assert_allclose(changed.covariance[:, :, plain], begun_so.covariance[:, :, plain], rtol=1e-3, atol=1e-5)


def shares(cloud: Cloud, count: int = 200) -> FloatArray:
    """How often each kind is drawn: creeping, and outside the yeast's range."""
    drawn = [moves.redraw(cloud, ENDINGS, np.random.default_rng(seed)) for seed in range(count)]
    means: FloatArray = np.array([[each.creeping.mean(), each.poor.mean()] for each in drawn]).mean(axis=0)
    return means


def test_without_data_each_kind_keeps_its_share() -> None:
    cloud = seed_cloud(batch(), 52.0, 19.0, 1, np.random.default_rng(1))
    creeping, poor = shares(cloud)
    assert creeping == pytest.approx(CREEPING_SHARE, abs=0.01)
    assert poor == pytest.approx(ENDINGS.outcome.share, abs=0.01)


def test_data_move_the_shares_as_bayes_rule_does() -> None:
    cloud = of_one_kind(creeping=False)
    cloud = replace(cloud, poor=np.zeros_like(cloud.poor))
    variance = cloud.covariance[FINAL, FINAL, 0]
    covariance = cloud.covariance.copy()
    covariance[FINAL, FINAL] = covariance[ORIGINAL, ORIGINAL] * ENDINGS.kept**2 + ENDINGS.outcome.sd_points[0] ** 2
    assert variance > 0.0
    value, sd = float(cloud.mean[FINAL, 0]) + 3.0, 0.3
    said = told(replace(cloud, covariance=covariance), value, sd)
    of_final = covariance[FINAL, FINAL]  # wider where the original gravity may be misread

    def density(kind: int) -> FloatArray:
        spread = of_final + ENDINGS.creep.sd_points[kind] ** 2 + sd**2
        return np.asarray(np.exp(-0.5 * (3.0 - ENDINGS.creep.points[kind]) ** 2 / spread) / np.sqrt(spread))

    odds = CREEPING_SHARE / (1.0 - CREEPING_SHARE) * density(1) / density(0)
    assert shares(said)[0] == pytest.approx(float(np.mean(odds / (1.0 + odds))), abs=0.01)


@pytest.mark.parametrize("left", [0.01, 0.0])
def test_slow_sugars_that_are_gone_are_left_alone(left: float) -> None:
    cloud = of_one_kind(creeping=True, left=left)
    drawn = moves.redraw(cloud, ENDINGS, np.random.default_rng(3))
    assert drawn.creeping.all()
    assert np.isfinite(drawn.mean).all()
    assert np.isfinite(drawn.covariance).all()
