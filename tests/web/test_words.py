from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from fermentation.estimate import Phase
from tests.storage.examples import without_strength_intervals
from tests.web.brewery import NOW, estimate
from web import words


@pytest.mark.parametrize(
    ("rate", "phase", "sentence"),
    [
        (2.14, Phase.ACTIVE, "still falling 2.1 ± 0.7 points a day"),
        (0.1, Phase.FINISHED, "no longer falling"),
        (-0.1, Phase.FINISHED, "no longer falling"),
        (0.0, Phase.LAG, "not falling yet"),
        (-1.2, Phase.ACTIVE, "rising 1.2 ± 0.7 points a day"),
    ],
)
def test_motion_is_a_phrase(rate: float, phase: Phase, sentence: str) -> None:
    limits = {"rate_low_points_per_day": rate - 0.6, "rate_high_points_per_day": rate + 0.8}
    assert words.motion(estimate(50.0, rate_points_per_day=rate, phase=phase, **limits)) == sentence


def test_attenuation_and_strength_have_half_their_interval_and_never_none_at_all() -> None:
    wide = {"apparent_attenuation": 0.764, "apparent_attenuation_low": 0.735, "apparent_attenuation_high": 0.795}
    vague = estimate(50.0, **wide, abv_percent=5.14, abv_low_percent=4.93, abv_high_percent=5.41)
    sharp = replace(vague, apparent_attenuation_low=0.763, apparent_attenuation_high=0.766, abv_high_percent=4.94)

    assert (words.attenuation(vague), words.strength(vague)) == ("76 ± 3 %", "5.1 ± 0.2")
    assert (words.attenuation(sharp), words.strength(sharp)) == ("76 ± 1 %", "5.1 ± 0.1")


def test_an_estimate_from_before_attenuation_and_strength_had_an_interval_is_shown_without() -> None:
    old = without_strength_intervals(estimate(50.0, apparent_attenuation=0.764, abv_percent=5.14))

    assert (words.attenuation(old), words.strength(old)) == ("76 %", "5.1")


def test_an_attenuation_is_never_minus_nothing() -> None:
    young = {"apparent_attenuation_low": -0.003, "apparent_attenuation_high": 0.03}

    assert words.attenuation(estimate(5.0, apparent_attenuation=-0.003, **young)) == "0 ± 2 %"


def test_a_rate_is_never_minus_zero() -> None:
    assert words.rate(-0.04) == "0.0"


@pytest.mark.parametrize(
    ("length", "text"),
    [
        (timedelta(seconds=20), "just now"),
        (timedelta(minutes=-3), "just now"),
        (timedelta(minutes=40), "40 min ago"),
        (timedelta(hours=5), "5 h ago"),
        (timedelta(days=3), "3 days ago"),
    ],
)
def test_an_age_is_told_in_the_unit_that_matters(length: timedelta, text: str) -> None:
    assert words.ago(NOW - length, NOW) == text


@pytest.mark.parametrize(("celsius", "text"), [(17.9, "too cold"), (19.0, ""), (20.6, "too warm")])
def test_a_temperature_outside_its_range_is_said_in_words(celsius: float, text: str) -> None:
    assert words.warmth(celsius, (18.0, 20.5)) == text


@pytest.mark.parametrize(("points", "said"), [(-0.04, "+0.0"), (1.25, "+1.2"), (-13.6, "-13.6")])
def test_a_difference_has_a_sign_and_is_never_minus_nothing(points: float, said: str) -> None:
    assert words.signed(points) == said
