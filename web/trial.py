"""ChannelTrial: what became of a test message over one channel. Values only."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelTrial:
    channel: str
    problem: str | None  # one sentence; None: the channel took it
