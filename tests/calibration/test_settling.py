"""When a float has come to rest in a reference solution."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from calibration.settling import reference_point, settling
from gylewatch.values import FloatId, Reading

BEGIN = datetime(2026, 3, 1, 10, tzinfo=UTC)


def window(
    *, count: int = 20, seconds: float = 60.0, drift_deg: float = 0.0, noise_deg: float = 0.05, warming_c: float = 0.0
) -> list[Reading]:
    rng = np.random.default_rng(1)
    return [
        Reading(
            time=BEGIN + timedelta(seconds=seconds * float(share)),
            float_id=FloatId("heron"),
            angle_deg=41.0 + drift_deg * (float(share) - 0.5) + float(rng.normal(0.0, noise_deg)),
            temperature_c=21.0 + warming_c * (float(share) - 0.5),
        )
        for share in np.linspace(0.0, 1.0, count)
    ]


def test_a_still_float_becomes_a_point_with_its_spread() -> None:
    rest = settling(window())

    point = reference_point(rest, FloatId("heron"), gravity_sg=1.040, gravity_sd_sg=0.0003)

    assert rest.settled
    assert point.angle_deg == pytest.approx(41.0, abs=0.05)
    assert point.temperature_c == pytest.approx(21.0)
    assert point.angle_sd_deg is not None
    assert 0.02 < point.angle_sd_deg < 0.06


@pytest.mark.parametrize(
    ("readings", "why"),
    [
        ([], "no reading yet"),
        (window(count=3), "wait for 5"),
        (window(count=1), "1 reading over 0 s: wait for 5 over 30 s"),
        (window(seconds=10.0), "over 10 s"),
        (window(drift_deg=0.6), "the angle drifts by \\+0"),
        (window(noise_deg=1.5), "the angle spreads"),
        (window(warming_c=-1.0), "temperature drifts by -1.0"),
    ],
)
def test_a_float_that_has_not_settled_says_why_and_gives_no_point(readings: list[Reading], why: str) -> None:
    rest = settling(readings)

    assert not rest.settled
    with pytest.raises(ValueError, match=why):
        reference_point(rest, FloatId("heron"), gravity_sg=1.040, gravity_sd_sg=None)


def test_the_order_of_the_readings_does_not_matter() -> None:
    readings = window(drift_deg=0.1)

    assert settling(readings[::-1]).drift_deg == pytest.approx(settling(readings).drift_deg)
    assert settling(readings).drift_deg == pytest.approx(0.1, abs=0.08)
