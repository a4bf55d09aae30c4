"""Evidence as a brewer reads it on a telephone: what the number is, the number, its unit."""

from __future__ import annotations

import pytest

from alerts.alert import Alert
from alerts.evidence import in_words
from tests.alerts.test_advice import TOLD


def test_the_evidence_of_a_stall_says_of_each_number_what_it_is() -> None:
    evidence = {
        "gravity_sg": 1.0311,
        "gravity_low_sg": 1.0301,
        "gravity_high_sg": 1.0321,
        "rate_points_per_day": 0.1,
        "probability_still": 0.98,
        "points_above_expected": 17.0,
        "expected_attenuation_low": 0.73,
        "cooled_by_c": None,
    }

    assert in_words(evidence) == (
        "gravity believed: 1.0311",
        "gravity, 80 % interval: 1.0301 to 1.0321",
        "falls by: 0.1 points a day",
        "probability that it stands still: 98 %",
        "above what is expected: 17.0 points",
        "attenuation expected at least: 73.0 %",
    )


def test_the_two_ends_of_a_range_are_one_phrase() -> None:
    assert in_words({"wanted_low_c": 17.5, "temperature_c": 16.4, "wanted_high_c": 20.5}) == (
        "wanted range: 17.5 to 20.5 °C",
        "temperature: 16.4 °C",
    )


@pytest.mark.parametrize(("story", "alert"), TOLD, ids=[f"{story}: {alert.kind}" for story, alert in TOLD])
def test_no_phrase_of_an_alert_shows_a_programs_name_or_a_number_without_its_unit(story: str, alert: Alert) -> None:
    for phrase in in_words(alert.evidence):
        label, _, value = phrase.partition(": ")
        assert "_" not in label
        counts_or_gravity = "readings" in label or "gravity" in label or "the float shows" in label
        assert not value.replace(".", "").isdigit() or counts_or_gravity, f"{story}: {phrase}"
