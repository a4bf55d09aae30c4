"""A sink that keeps readings in memory and can be told to fail."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from collector.packet import Reason, Rejected
from gylewatch.errors import StorageError
from gylewatch.values import FloatId, ProbeReading, Reading


class MemorySink:
    """Keeps one reading for each float and time, as storage does. `fault` is raised instead while it is set."""

    def __init__(self) -> None:
        self.kept: dict[tuple[FloatId, datetime], Reading] = {}
        self.probes: dict[tuple[str, datetime], ProbeReading] = {}
        self.refused: list[Rejected] = []
        self.batches: list[int] = []
        self.attempts = 0
        self.fault: StorageError | None = None

    def append_readings(self, readings: Sequence[Reading], /) -> int:
        self._check()
        before = len(self.kept)
        for reading in readings:
            self.kept.setdefault((reading.float_id, reading.time), reading)
        self.batches.append(len(readings))
        return len(self.kept) - before

    def append_probe_readings(self, readings: Sequence[ProbeReading], /) -> int:
        self._check()
        before = len(self.probes)
        for reading in readings:
            self.probes.setdefault((reading.probe, reading.time), reading)
        return len(self.probes) - before

    def append_rejected(self, rejected: Sequence[Rejected], /) -> None:
        self._check()
        self.refused.extend(rejected)

    def keep_signals(self, readings: Sequence[Reading], /) -> None:
        self._check()
        for reading in readings:
            self.kept[reading.float_id, reading.time] = reading

    def reasons(self) -> list[Reason]:
        return [rejected.reason for rejected in self.refused]

    def _check(self) -> None:
        self.attempts += 1
        if self.fault is not None:
            raise self.fault
