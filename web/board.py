"""The board: one line for each batch, the ones that need a person first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from alerts.alert import Severity
from fermentation.estimate import Estimate
from gylewatch.values import Reading, natural_order
from storage.records import AlertRecord, BatchRecord, FloatRecord
from storage.store import Store
from web.words import STALE_AFTER

_URGENCY = {Severity.CRITICAL: 0, Severity.WARNING: 1, Severity.INFO: 2}
_CALM = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardLine:
    record: BatchRecord
    estimate: Estimate | None
    alerts: tuple[AlertRecord, ...]  # open ones: those that wait for a person first, then the most severe
    now: datetime

    @property
    def urgency(self) -> int:
        """Of the alerts that nobody has acknowledged or put to sleep."""
        waiting = (alert for alert in self.alerts if is_waiting(alert, self.now))
        return min((_URGENCY[alert.alert.severity] for alert in waiting), default=_CALM)

    @property
    def needs_a_person(self) -> bool:
        return self.urgency < _URGENCY[Severity.INFO]


def is_asleep(alert: AlertRecord, now: datetime) -> bool:
    """Whether a person has put the alert to sleep for now."""
    return alert.snoozed_until is not None and now < alert.snoozed_until


def is_waiting(alert: AlertRecord, now: datetime) -> bool:
    """Whether the alert still waits for a person."""
    return not is_seen(alert) and not is_asleep(alert, now)


def is_seen(alert: AlertRecord) -> bool:
    """Whether a person has acknowledged the alert and not put it to sleep since: the last word counts."""
    return alert.acknowledged_at is not None and alert.snoozed_until is None


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


def board(store: Store, wanted: Wanted, now: datetime) -> tuple[BoardLine, ...]:
    """The lines of the board: most urgent first, then by vessel in natural order."""
    records = [
        record for record in store.batches(active_only=not wanted.ended) if (record.ended is not None) == wanted.ended
    ]
    batch_ids = [record.batch_id for record in records]
    estimates, alerts = store.latest_estimates(batch_ids), store.open_alerts_of(batch_ids)
    lines = [
        BoardLine(
            record=record,
            estimate=estimates.get(record.batch_id),
            alerts=_waiting_first(alerts.get(record.batch_id, ()), now),
            now=now,
        )
        for record in records
    ]
    shown = (line for line in lines if wanted.takes(line))
    return tuple(sorted(shown, key=_place))


def _place(line: BoardLine) -> tuple[object, ...]:
    batch = line.record.batch
    return line.urgency, natural_order(batch.vessel), natural_order(batch.name)


def by_severity(alerts: Sequence[AlertRecord]) -> tuple[AlertRecord, ...]:
    """The most severe first, the newest first among equals."""
    newest_first = sorted(alerts, key=lambda record: record.alert.time, reverse=True)
    return tuple(sorted(newest_first, key=lambda record: _URGENCY[record.alert.severity]))


def _waiting_first(alerts: Sequence[AlertRecord], now: datetime) -> tuple[AlertRecord, ...]:
    return tuple(sorted(by_severity(alerts), key=lambda record: not is_waiting(record, now)))


def floats(store: Store, now: datetime) -> tuple[FloatLine, ...]:
    """Every float with its newest reading: the silent ones first, the longest of them before all, then by name."""
    latest = store.latest_readings()
    lines = [FloatLine(record=item, last=latest.get(item.float_id)) for item in store.floats()]
    # Those that are heard keep the order of their names (the sort is stable): by time it would change at every look.
    return tuple(sorted(lines, key=lambda line: min(_last_sign(line), now - STALE_AFTER)))


def _last_sign(line: FloatLine) -> datetime:
    return line.last.time if line.last else line.record.created
