from __future__ import annotations

import pytest

from collector.topics import covers, filter_problem


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


@pytest.mark.parametrize(
    ("pattern", "other"),
    [
        ("cellar/fv1/tilt", "cellar/fv1/tilt"),
        ("cellar/+/tilt", "cellar/fv1/tilt"),
        ("cellar/+", "cellar/+"),
        ("cellar/#", "cellar/+/tilt"),
        ("#", "cellar/#"),
    ],
)
def test_a_wider_pattern_covers_a_narrower_one(pattern: str, other: str) -> None:
    assert covers(pattern, other)


@pytest.mark.parametrize(
    ("pattern", "other"),
    [
        ("cellar/fv1/tilt", "cellar/+/tilt"),
        ("cellar/+", "cellar/#"),
        ("cellar/+", "cellar/fv1/tilt"),
        ("cellar/#", "attic/#"),
        ("cellar/fv1", "cellar/fv2"),
    ],
)
def test_a_pattern_that_leaves_some_topics_out_does_not_cover(pattern: str, other: str) -> None:
    assert not covers(pattern, other)
