"""Planned: the steps of a batch's plan and what was added to it, in order of time and in words. Pure."""

from __future__ import annotations

from datetime import datetime

from gylewatch.values import Addition, Batch, PlanStep
from web import words


def planned(batch: Batch, *, fahrenheit: bool) -> tuple[tuple[datetime, str], ...]:
    """When and what: every step of the plan and every addition."""
    lines = [(step.start, _step(step, fahrenheit=fahrenheit)) for step in batch.plan]
    lines += [(each.time, addition_words(each)) for each in batch.additions]
    return tuple(sorted(lines))


def _step(step: PlanStep, *, fahrenheit: bool) -> str:
    wanted = words.temperature_range(step.temperature_c, fahrenheit=fahrenheit)
    return f"{step.label or 'another wanted temperature'}: {wanted} wanted from then on"


def addition_words(addition: Addition) -> str:
    """``candy sugar: +6.0 points``."""
    points = addition.gravity_points
    rise = "rise not known" if points is None else f"{words.signed(points)} points"
    return f"{addition.label or 'an addition'}: {rise}"
