from __future__ import annotations

from datetime import timedelta

import pytest

from fermentation.estimate import Phase
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
