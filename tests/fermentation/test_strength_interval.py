"""The intervals of attenuation and alcohol, against the truth of simulated brews and an independent library."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from scipy import stats

from calibration.curve import GravityReading, gravity_reading
from calibration.fit import fit_curve
from calibration.strength import strength
from fermentation import smooth
from fermentation.estimate import Estimate
from fermentation.summary import FORMULA_DOUBT, interval_around
from tests.fermentation.brew import batch, readings, run
from tests.simulator.beer import abv_percent
from tests.simulator.scenario import simulate

SEEDS = range(10)
EVERY = 6
# One reading in six: what is asked here needs no more, and the rest would only take time


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One estimate beside the truth of its time."""

    estimate: Estimate
    attenuation: float
    abv: float


@cache
def told(seed: int) -> tuple[Told, ...]:
    brew = simulate(seed, samples=0, added_points=0.0)
    curve = fit_curve(brew.references)
    heard = sorted({reading.time: reading for reading in brew.readings}.values(), key=lambda reading: reading.time)
    _, estimates = run(
        smooth.start(brew.batch),
        [
            gravity_reading(curve, reading, original_gravity_sg=brew.batch.original_gravity_sg)
            for reading in heard[::EVERY]
        ],
    )
    original = brew.truth.original_gravity_sg
    gravities = brew.truth.at(brew.truth.gravity_sg, np.array([brew.hours(each.time) for each in estimates]))
    strengths = abv_percent(original, gravities)
    return tuple(
        Told(estimate=estimate, attenuation=(original - gravity) / (original - 1.0), abv=abv)
        for estimate, gravity, abv in zip(estimates, gravities.tolist(), strengths.tolist(), strict=True)
    )


def ends(estimate: Estimate) -> tuple[float, float, float, float]:
    """Attenuation and alcohol, low and high each."""
    found = (
        estimate.apparent_attenuation_low,
        estimate.apparent_attenuation_high,
        estimate.abv_low_percent,
        estimate.abv_high_percent,
    )
    low, high, weak, strong = (float("nan") if end is None else end for end in found)
    return low, high, weak, strong


def half_widths(estimate: Estimate) -> tuple[float, float]:
    low, high, weak, strong = ends(estimate)
    return (high - low) / 2, (strong - weak) / 2


def test_the_truth_lies_within_four_times_out_of_five() -> None:
    attenuation, alcohol = [], []
    for seed in SEEDS:
        bounds = [ends(each.estimate) for each in told(seed)]
        truth = [(each.attenuation, each.abv) for each in told(seed)]
        within = [(a <= t <= b, c <= u <= d) for (a, b, c, d), (t, u) in zip(bounds, truth, strict=True)]
        attenuation.append(np.mean([first for first, _ in within]))
        alcohol.append(np.mean([second for _, second in within]))

    # The readings of a brew err together: of ten brews the share is known to a tenth.
    assert 0.6 < np.mean(attenuation) < 0.93
    assert 0.6 < np.mean(alcohol) < 0.93


def test_what_is_shown_lies_within_and_nothing_begins_below_nothing() -> None:
    for each in (each.estimate for seed in SEEDS for each in told(seed)):
        low, high, weak, strong = ends(each)
        assert min(0.0, each.apparent_attenuation) <= low <= each.apparent_attenuation <= high
        assert 0.0 <= weak <= each.abv_percent <= strong


def test_a_beer_whose_original_gravity_nobody_measured_has_wider_ones() -> None:
    taken = readings(90.0)
    measured, unknown = (
        run(smooth.start(batch(original_gravity_sg=original)), taken)[1][-1] for original in (1.052, None)
    )

    known, wide = half_widths(measured), half_widths(unknown)

    # The gravity itself is as well known: the float has told it.
    assert unknown.gravity_high_sg - unknown.gravity_low_sg == pytest.approx(
        measured.gravity_high_sg - measured.gravity_low_sg, rel=0.3
    )
    assert wide[0] > 1.02 * known[0]
    assert wide[1] > 1.05 * known[1]


def test_one_normal_distribution_has_the_interval_of_the_tables() -> None:
    low, high = interval_around(12.0, np.array([12.0]), np.array([1.5]), np.array([1.0]), doubt=2.0)

    # 1.28155 is the 90 % quantile; 1.5 and 2 square to 2.5
    assert (low, high) == pytest.approx((12.0 - 1.28155 * 2.5, 12.0 + 1.28155 * 2.5), abs=1e-3)


def test_the_interval_of_a_mixture_holds_four_fifths_of_it() -> None:
    generator = np.random.default_rng(5)
    mean, sd = generator.normal(20.0, 4.0, 120), generator.uniform(0.3, 2.0, 120)
    weight = generator.dirichlet(np.ones(120))

    low, high = interval_around(20.0, mean, sd, weight, doubt=0.0)

    share = weight @ (stats.norm.cdf(high, mean, sd) - stats.norm.cdf(low, mean, sd))
    assert share == pytest.approx(0.8, abs=0.04)


@pytest.mark.parametrize(
    ("shown", "low", "high"),
    [(0.5, 0.0, 2.28), (-0.4, -0.4, 2.28), (9.0, 0.0, 9.0)],
    ids=["beside nothing", "below nothing", "beyond its end"],
)
def test_the_interval_ends_at_nothing_unless_less_is_shown_and_holds_what_is_shown(
    shown: float, low: float, high: float
) -> None:
    found = interval_around(shown, np.array([1.0]), np.array([1.0]), np.array([1.0]), doubt=0.0)

    assert found == pytest.approx((low, high), abs=0.01)


def test_the_doubt_about_the_formula_is_what_formulas_differ_by_in_an_ordinary_beer() -> None:
    beer = strength(1.050, 1.012)

    spread = np.std([value for _, value in beer.abv_by_formula], ddof=1) / beer.abv_percent
    assert spread == pytest.approx(FORMULA_DOUBT, rel=0.2)


def test_alcohol_has_the_doubt_about_the_formula_on_top(monkeypatch: pytest.MonkeyPatch) -> None:
    taken = readings(60.0)
    without, with_it = (_last_with_formula_doubt(monkeypatch, doubt, taken) for doubt in (0.0, 0.1))

    plain, wide = half_widths(without), half_widths(with_it)

    assert wide[0] == plain[0]
    assert wide[1] == pytest.approx(np.hypot(plain[1], 1.2816 * 0.1 * without.abv_percent), rel=0.03)


def _last_with_formula_doubt(monkeypatch: pytest.MonkeyPatch, doubt: float, taken: list[GravityReading]) -> Estimate:
    monkeypatch.setattr("fermentation.summary.FORMULA_DOUBT", doubt)
    return run(smooth.start(batch()), taken)[1][-1]
