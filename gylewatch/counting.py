"""Numbers with their nouns."""

from __future__ import annotations


def counted(number: int, one: str, many: str | None = None) -> str:
    """``1 reading``, ``2,000 readings``; `many` where an s does not make it."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"
