"""Numbers with their nouns: one way of it for page, terminal and messages."""

from __future__ import annotations

import pytest

from gylewatch.counting import above_or_below, counted


@pytest.mark.parametrize(
    ("number", "said"), [(0, "0 readings"), (1, "1 reading"), (2, "2 readings"), (2000, "2,000 readings")]
)
def test_a_number_stands_with_its_noun(number: int, said: str) -> None:
    assert counted(number, "reading") == said


def test_a_noun_of_its_own_plural_is_given_one() -> None:
    assert (counted(1, "batch", "batches"), counted(3, "batch", "batches")) == ("1 batch", "3 batches")


@pytest.mark.parametrize(
    ("points", "said"), [(-22.94, "22.9 points below"), (1.6, "1.6 points above"), (0.0, "0.0 points above")]
)
def test_a_difference_is_told_in_words(points: float, said: str) -> None:
    assert above_or_below(points) == said
