"""Next step and caution of an alert kind, for the page."""

from __future__ import annotations

from dataclasses import dataclass

from alerts.alert import Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    next_step: str
    caution: str


def advice_for(kind: Kind) -> Advice:
    return Advice(next_step="See the graph.", caution="")
