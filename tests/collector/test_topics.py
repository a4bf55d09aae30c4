from __future__ import annotations

import pytest

from collector.topics import filter_problem


@pytest.mark.parametrize("pattern", ["cellar/+/tilt", "cellar/#", "#", "+", "/", "a//b", "cellar/fv1/tilt", "+/+/#"])
def test_what_a_broker_takes_is_no_problem(pattern: str) -> None:
    assert filter_problem(pattern) is None


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("", "is empty"),
        ("cellar/fv+/tilt", "within a level"),
        ("cellar/tilt#", "within a level"),
        ("cellar/++", "within a level"),
        ("cellar/#/tilt", "before its end"),
        ("#/#", "before its end"),
        ("cel\0lar", "is no topic"),
        ("ä" * 32_768, "is no topic"),
    ],
)
def test_what_no_broker_takes_is_named(pattern: str, words: str) -> None:
    assert words in str(filter_problem(pattern))
