"""Several instruments on one beer: best value, the one that is off, agreement over time."""

from __future__ import annotations

import pytest

from calibration.comparison import Measured, agreement, compare
from gylewatch.errors import InputError


def measured(**values: tuple[float, float]) -> list[Measured]:
    return [Measured(name=name, gravity_sg=gravity, sd_sg=sd) for name, (gravity, sd) in values.items()]


def test_the_best_value_is_weighted_by_what_each_instrument_is_worth() -> None:
    compared = compare(measured(hydrometer=(1.0120, 0.0010), meter=(1.0110, 0.0005)))

    # Weights 1 and 4, by hand: (1.0120 + 4 * 1.0110)/5 = 1.0112; sd 1/sqrt(1e6 + 4e6) = 0.000447.
    assert compared.best_sg == pytest.approx(1.0112)
    assert compared.sd_sg == pytest.approx(0.000447, abs=1e-6)
    assert compared.offsets_points == pytest.approx((0.8, -0.2))
    assert compared.off is None


def test_the_instrument_that_the_others_contradict_is_named_and_left_out() -> None:
    compared = compare(
        measured(
            hydrometer=(1.0120, 0.001), meter=(1.0118, 0.0003), refractometer=(1.0190, 0.0015), heron=(1.0125, 0.001)
        )
    )

    assert compared.off == "refractometer"
    assert compared.best_sg == pytest.approx(1.0119, abs=2e-4)
    assert "refractometer reads 7.1 points above the others" in compared.verdict


def test_of_two_that_disagree_neither_is_accused_and_the_uncertainty_grows() -> None:
    compared = compare(measured(hydrometer=(1.020, 0.001), heron=(1.010, 0.001)))

    assert compared.off is None
    assert "a third instrument" in compared.verdict
    # Birge ratio sqrt(2 * 25) = 7.07 times 0.001/sqrt(2): half the difference.
    assert compared.sd_sg == pytest.approx(0.005, abs=1e-6)


def test_several_that_contradict_each_other_are_not_said_to_agree() -> None:
    compared = compare(measured(hydrometer=(1.0415, 0.001), meter=(1.0375, 0.0003), heron=(1.0281, 0.0012)))

    # 1.0281 is 9.4 points and 7.6 sigma below 1.0375, but 1.0415 and 1.0375 are 3.8 sigma apart as well.
    assert compared.off is None
    assert "they disagree by more than they claim" in compared.verdict


def test_two_that_contradict_a_majority_on_both_sides_are_both_named() -> None:
    hydrometers = [Measured(name="hydrometer", gravity_sg=g, sd_sg=0.001) for g in (1.0115, 1.0210, 1.0113)]
    others = measured(refractometer=(1.0088, 0.0019), heron=(1.0002, 0.0013))

    compared = compare([*hydrometers, *others])

    # By hand: weights 1, 1 and 1/1.9^2 = 0.277 of 1.0115, 1.0113 and 1.0088 give 1.01108.
    assert compared.best_sg == pytest.approx(1.01108, abs=1e-5)
    assert compared.apart == (1, 4)
    assert "they disagree" in compared.verdict
    assert "hydrometer 1.0210 (+9.9 points) and heron 1.0002 (-10.9 points)" in compared.verdict


def test_two_camps_of_equal_size_accuse_nobody() -> None:
    compared = compare(
        measured(hydrometer=(1.020, 0.001), meter=(1.0201, 0.001), heron=(1.010, 0.001), kestrel=(1.0101, 0.001))
    )

    assert compared.apart == ()
    assert "none stands alone" in compared.verdict


@pytest.mark.parametrize(
    "values",
    [
        {"hydrometer": (1.01, 0.001)},
        {"hydrometer": (1.01, 0.001), "heron": (1.01, 0.0)},
        {"hydrometer": (1.01, 0.001), "heron": (float("nan"), 0.001)},
    ],
)
def test_what_cannot_be_compared_is_refused(values: dict[str, tuple[float, float]]) -> None:
    with pytest.raises(InputError, match="comparison"):
        compare(measured(**values))


def test_bias_and_limits_of_agreement_follow_their_definition() -> None:
    agreed = agreement([(1.012, 1.010), (1.031, 1.030), (1.050, 1.047)])

    # Differences 2, 1, 3 points: mean 2, sd 1, limits 2 ± 1.96 (Bland and Altman 1986).
    assert agreed.bias_points == pytest.approx(2.0)
    assert (agreed.low_points, agreed.high_points) == pytest.approx((0.04, 3.96))
    assert agreed.bias_sd_points == pytest.approx(1 / 3**0.5)


def test_one_sample_gives_no_agreement() -> None:
    with pytest.raises(InputError, match="two samples"):
        agreement([(1.01, 1.01)])
