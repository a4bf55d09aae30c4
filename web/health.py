"""ServiceHealth: what the running service says about itself. Values only."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceHealth:
    """A snapshot, taken when a page or the API asks for it."""

    started: datetime
    brokers: tuple[str, ...] = ()  # one sentence for each broker and radio
    readings_accepted: int = 0  # since the start of the service
    readings_duplicate: int = 0
    readings_refused: int = 0
    queue_depth: int = 0  # packets received and not yet stored
    outbox: tuple[tuple[str, int], ...] = ()  # state of a notification ("due", "delivered", "failed") and how many
    problems: tuple[str, ...] = ()  # one sentence each, for a brewer; empty: all is well
