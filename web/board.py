"""The board: one line for each batch, the ones that need a person first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from alerts.alert import Severity
from alerts.news import is_old_news, wants_room
from alerts.settings import AlertSettings
from fermentation.estimate import Estimate
from gylewatch.values import Reading, VesselId, natural_order
from storage.records import AlertRecord, BatchRecord, FloatRecord
from storage.store import Store
from web.verdict import Verdict, is_told
from web.words import STALE_AFTER

_URGENCY = {Severity.CRITICAL: 0, Severity.WARNING: 1, Severity.INFO: 2}
_CALM = 3
# About ten screens of a telephone: more are not read but searched.
PAGE_LINES = 40
# Of the floats, those of which nothing is heard stand first; the rest of very many is folded away.
FLOATS_SHOWN = 12
SEARCH_FROM = 8  # lines; fewer are seen at a glance


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardLine:
    record: BatchRecord
    estimate: Estimate | None
    alerts: tuple[AlertRecord, ...]  # open ones that want room: what waits for a person first, then the most severe
    verdict: Verdict
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
    return not alert.is_seen and not is_asleep(alert, now)


@dataclass(frozen=True, slots=True, kw_only=True)
class FloatLine:
    record: FloatRecord
    last: Reading | None
    batch: BatchRecord | None = None  # the active one that it lies in


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which lines the viewer asked for."""

    text: str = ""
    attention: bool = False  # only batches that need a person
    ended: bool = False  # the ended ones in place of the active ones
    page: int = 1

    def takes(self, line: BoardLine) -> bool:
        batch = line.record.batch
        named = self.text.strip().lower() in f"{batch.name} {batch.vessel} {batch.float_id}".lower()
        return named and (line.needs_a_person or not self.attention)

    def names(self, line: BoardLine) -> bool:
        """Whether it is this one that is searched, and not only one like it: FV12, not FV120."""
        batch = line.record.batch
        return self.text.strip().lower() in (batch.name.lower(), batch.vessel.lower(), batch.float_id.lower())


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """One page of the lines that were asked for."""

    lines: tuple[BoardLine, ...]
    total: int  # lines on all pages
    urgent: int  # of them need a person
    page: int
    pages: int

    @property
    def first(self) -> int:
        """The number of the first line, counted from 1."""
        return (self.page - 1) * PAGE_LINES + 1


def board(store: Store, settings: AlertSettings, wanted: Wanted, now: datetime) -> Board:
    """The lines of the board: what is searched by its very name, then the most urgent, then by vessel in natural order.

    For a page beyond the last one, the last one.
    """
    records = [
        record for record in store.batches(active_only=not wanted.ended) if (record.ended is not None) == wanted.ended
    ]
    alerts = store.open_alerts_of([record.batch_id for record in records])
    every = [_line(settings, record, alerts.get(record.batch_id, ()), now) for record in records]
    taken = sorted(filter(wanted.takes, every), key=lambda line: (not wanted.names(line), *_place(line)))
    pages = max(1, -(-len(taken) // PAGE_LINES))
    page = min(max(1, wanted.page), pages)
    shown = taken[(page - 1) * PAGE_LINES : page * PAGE_LINES]
    estimates = store.latest_estimates([line.record.batch_id for line in shown])
    return Board(
        lines=tuple(replace(line, estimate=estimates.get(line.record.batch_id)) for line in shown),
        total=len(taken),
        urgent=sum(line.needs_a_person for line in taken),
        page=page,
        pages=pages,
    )


def _line(settings: AlertSettings, record: BatchRecord, open_alerts: Sequence[AlertRecord], now: datetime) -> BoardLine:
    told = Verdict(told=is_told(settings, record, open_alerts))
    shown = waiting_first(wanting_room(open_alerts, now), now)
    return BoardLine(record=record, estimate=None, alerts=shown, verdict=told, now=now)


def _place(line: BoardLine) -> tuple[object, ...]:
    batch = line.record.batch
    return line.urgency, natural_order(batch.vessel), natural_order(batch.name)


def by_severity(alerts: Sequence[AlertRecord]) -> tuple[AlertRecord, ...]:
    """The most severe first, the newest first among equals."""
    newest_first = sorted(alerts, key=lambda record: record.alert.time, reverse=True)
    return tuple(sorted(newest_first, key=lambda record: _URGENCY[record.alert.severity]))


def urgent(alerts: Sequence[AlertRecord], now: datetime) -> tuple[AlertRecord, ...]:
    """Of open alerts, those for which a person has to do something, the most severe first."""
    return tuple(
        record
        for record in by_severity(alerts)
        if is_waiting(record, now) and _URGENCY[record.alert.severity] < _URGENCY[Severity.INFO]
    )


def waiting_first(alerts: Sequence[AlertRecord], now: datetime) -> tuple[AlertRecord, ...]:
    """Open alerts: those that wait for a person, then those that are seen or asleep; the most severe first."""
    return tuple(sorted(by_severity(alerts), key=lambda record: not is_waiting(record, now)))


def wanting_room(alerts: Sequence[AlertRecord], now: datetime) -> tuple[AlertRecord, ...]:
    """Of open alerts, those that belong into a short list: neither old news nor what is merely to know, and seen."""
    return tuple(record for record in alerts if wants_room(record.alert, now, seen=record.is_seen))


def without_old_news(alerts: Sequence[AlertRecord], now: datetime) -> tuple[AlertRecord, ...]:
    """Open alerts that still tell something; the others stand among the earlier messages."""
    return tuple(record for record in alerts if not is_old_news(record.alert, now, seen=record.is_seen))


def floats(store: Store, now: datetime) -> tuple[FloatLine, ...]:
    """Every float with its newest reading: the silent ones first, the longest of them before all, then by name."""
    latest = store.latest_readings()
    batches = {each.batch.float_id: each for each in store.batches(active_only=True)}
    lines = [
        FloatLine(record=item, last=latest.get(item.float_id), batch=batches.get(item.float_id))
        for item in store.floats()
    ]
    # Those that are heard keep the order of their names (the sort is stable): by time it would change at every look.
    return tuple(sorted(lines, key=lambda line: min(_last_sign(line), now - STALE_AFTER)))


def vessels(store: Store) -> tuple[tuple[VesselId, BatchRecord | None], ...]:
    """Every vessel with the active batch in it; None: it is free."""
    batches = {each.batch.vessel: each for each in store.batches(active_only=True)}
    return tuple((each.vessel_id, batches.get(each.vessel_id)) for each in store.vessels())


def _last_sign(line: FloatLine) -> datetime:
    return line.last.time if line.last else line.record.created
