"""IngestResult: what became of one packet that came over HTTP. Values only."""

from __future__ import annotations

from dataclasses import dataclass

from collector.packet import Rejected


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestResult:
    """Given back only after the accepted readings are committed."""

    accepted: int  # new rows
    duplicate: int = 0  # known already; harmless
    refused: tuple[Rejected, ...] = ()
