"""Numbers with their nouns."""

from __future__ import annotations


def counted(number: int, one: str, many: str | None = None) -> str:
    """``1 reading``, ``2,000 readings``; `many` where an s does not make it."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def above_or_below(points: float, *, decimals: int = 1) -> str:
    """``1.6 points below``, ``12.0 points above``: a sign is easily overlooked."""
    return f"{abs(points):.{decimals}f} points {'below' if points < 0.0 else 'above'}"
