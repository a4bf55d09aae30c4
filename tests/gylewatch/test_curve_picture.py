from __future__ import annotations

import pytest

from gylewatch.curve_picture import off_curve


@pytest.mark.parametrize(
    ("residual_sg", "shown"), [(0.00028, "+0.28"), (-0.00067, "-0.67"), (-0.000004, "+0.00"), (0.0, "+0.00")]
)
def test_a_point_on_the_curve_is_not_off_by_minus_nothing(residual_sg: float, shown: str) -> None:
    assert off_curve(residual_sg) == shown
