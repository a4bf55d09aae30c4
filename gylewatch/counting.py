"""Numbers with their nouns."""

from __future__ import annotations


def counted(number: int, noun: str) -> str:
    """``1 reading``, ``2 readings``."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
