"""The board: one line for each batch, the ones that need a person first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from alerts.alert import Severity
from fermentation.estimate import Estimate
from gylewatch.values import Reading
from storage.records import AlertRecord, BatchRecord, FloatRecord
from storage.store import Store

_URGENCY = {Severity.CRITICAL: 0, Severity.WARNING: 1, Severity.INFO: 2}
_CALM = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardLine:
    record: BatchRecord
    estimate: Estimate | None
    alerts: tuple[AlertRecord, ...]  # open ones, the most severe first

    @property
    def urgency(self) -> int:
        return min((_URGENCY[alert.alert.severity] for alert in self.alerts), default=_CALM)

    @property
    def needs_a_person(self) -> bool:
        return self.urgency < _URGENCY[Severity.INFO]


@dataclass(frozen=True, slots=True, kw_only=True)
class FloatLine:
    record: FloatRecord
    last: Reading | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which lines the viewer asked for."""

    text: str = ""
    attention: bool = False  # only batches that need a person
    ended: bool = False  # the ended ones in place of the active ones

    def takes(self, line: BoardLine) -> bool:
        batch = line.record.batch
        named = self.text.strip().lower() in f"{batch.name} {batch.vessel} {batch.float_id}".lower()
        return named and (line.needs_a_person or not self.attention)


def board(store: Store, wanted: Wanted) -> tuple[BoardLine, ...]:
    """The lines of the board: most urgent first, then by vessel."""
    records = [
        record for record in store.batches(active_only=not wanted.ended) if (record.ended is not None) == wanted.ended
    ]
    batch_ids = [record.batch_id for record in records]
    estimates, alerts = store.latest_estimates(batch_ids), store.open_alerts_of(batch_ids)
    lines = [
        BoardLine(
            record=record,
            estimate=estimates.get(record.batch_id),
            alerts=by_severity(alerts.get(record.batch_id, ())),
        )
        for record in records
    ]
    shown = (line for line in lines if wanted.takes(line))
    return tuple(sorted(shown, key=lambda line: (line.urgency, line.record.batch.vessel, line.record.batch.name)))


def by_severity(alerts: Sequence[AlertRecord]) -> tuple[AlertRecord, ...]:
    """The most severe first, the newest first among equals."""
    newest_first = sorted(alerts, key=lambda record: record.alert.time, reverse=True)
    return tuple(sorted(newest_first, key=lambda record: _URGENCY[record.alert.severity]))


def floats(store: Store) -> tuple[FloatLine, ...]:
    """Every float with its newest reading, the longest silent first."""
    latest = store.latest_readings()
    lines = [FloatLine(record=item, last=latest.get(item.float_id)) for item in store.floats()]
    return tuple(sorted(lines, key=lambda line: line.last.time if line.last else line.record.created))
