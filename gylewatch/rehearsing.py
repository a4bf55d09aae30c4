"""Rehearsal: what other alert settings would have told of recorded batches, beside what was told.

Readings come from the store in the order of their time, as the service takes them where it reads a batch again, and
samples when they were drawn. They run through the live pipeline with the clock of the data; nothing is saved or sent.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from alerts.alert import Alert, Kind, Subject
from alerts.engine import REPLACED
from alerts.settings import AlertSettings
from gylewatch import pipeline
from gylewatch.data_time import passed
from gylewatch.errors import InputError
from gylewatch.reading_order import ReadingOrder
from gylewatch.values import ProbeReading, Reading, Sample
from gylewatch.watch import AHEAD
from storage.records import BatchRecord
from storage.store import Store

SAME_EVENT: Final = timedelta(hours=48)  # other settings find the same turn of events earlier or later, but not days

SILENT_END: Final = timedelta(days=7)  # so long time passes after the last reading of a batch that nobody ended

_AT_ONCE: Final = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """One alert from its beginning to its end."""

    kind: Kind
    begin: datetime
    end: datetime | None
    cause: str = ""  # where a kind tells of several things


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairing:
    """The same turn of events as it was told and as it would have been; one of the two may be missing."""

    kind: Kind
    recorded: Episode | None
    rehearsed: Episode | None
    cause: str = ""

    @property
    def shift(self) -> timedelta | None:
        """How much later it would have been told; negative: earlier."""
        if self.recorded is None or self.rehearsed is None:
            return None
        return self.rehearsed.begin - self.recorded.begin

    @property
    def begin(self) -> datetime:
        return min(each.begin for each in (self.recorded, self.rehearsed) if each is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsal:
    """One batch under other settings."""

    record: BatchRecord
    readings: int
    pairings: tuple[Pairing, ...]


def rehearse(store: Store, record: BatchRecord, settings: AlertSettings, *, now: datetime) -> Rehearsal:
    """Run one recorded batch under `settings`.

    Raises
    ------
    InputError
        The batch has no curve, so nothing can be concluded from its readings.
    """
    version = record.curve_version
    if version is None:
        raise InputError(f"batch {record.batch_id}", "its float has no curve; make one with: gylewatch curve add")
    curve = store.curve(record.batch.float_id, version).curve
    course = pipeline.Course(batch=record.batch, curve=curve, alert_settings=settings)
    told: list[Alert] = []
    count = 0
    for outcome, is_reading in _outcomes(course, store, record, now):
        told.extend(outcome.alerts)
        count += is_reading
    recorded = [stored.alert for stored in store.alerts(record.batch_id)]
    return Rehearsal(record=record, readings=count, pairings=pair(episodes(recorded), episodes(told)))


def _outcomes(
    course: pipeline.Course, store: Store, record: BatchRecord, now: datetime
) -> Iterator[tuple[pipeline.Outcome, bool]]:
    state = pipeline.start(course)
    samples = sorted((sample for _, sample in store.samples(record.batch_id)), key=lambda each: each.time, reverse=True)
    clock: datetime | None = None

    def step(event: datetime | Sample) -> pipeline.Outcome:
        if isinstance(event, Sample):
            return pipeline.on_sample(course, state, event)
        return pipeline.on_tick(course, state, event)

    until = record.ended or now + AHEAD
    probes = _probe_readings(store, record, until)
    heard = next(probes, None)
    for reading in _readings(store, record, until):
        while heard is not None and heard.time <= reading.time:
            state = pipeline.on_probe(course, state, heard)
            heard = next(probes, None)
        for event in passed(clock, reading.time, samples):
            outcome = step(event)
            state = outcome.state
            yield outcome, False
        outcome = pipeline.on_reading(course, state, reading)
        state, clock = outcome.state, reading.time if clock is None else max(clock, reading.time)
        yield outcome, True
    if clock is None:
        return
    for event in passed(clock, min(record.ended or now, clock + SILENT_END), samples):
        outcome = step(event)
        state = outcome.state
        yield outcome, False


def _readings(store: Store, record: BatchRecord, until: datetime) -> Iterator[Reading]:
    """The readings of the batch in the order of their time."""
    order = ReadingOrder(store, record.batch, by_time=True)
    while found := order.page(_AT_ONCE):
        yield from (reading for reading in found if record.batch.pitched <= reading.time <= until)


def _probe_readings(store: Store, record: BatchRecord, until: datetime) -> Iterator[ProbeReading]:
    """What the vessel's own probe said during the batch, in the order in which it arrived."""
    cursor = 0
    vessel, pitched = record.batch.vessel, record.batch.pitched
    while found := store.probe_readings_after(vessel, cursor, _AT_ONCE, since=pitched):
        cursor = found[-1][0]
        yield from (heard for _, heard in found if heard.time <= until)


def episodes(alerts: Iterable[Alert]) -> tuple[Episode, ...]:
    """Alerts in order, put together to beginnings with their ends; one that became graver stays one."""
    opened: dict[Subject, Episode] = {}
    found: list[Episode] = []
    for alert in alerts:
        if alert.resolves is None:
            begun = Episode(kind=alert.kind, begin=alert.time, end=None, cause=alert.cause)
            opened.setdefault(alert.subject, begun)
        elif alert.subject in opened and not alert.evidence.get(REPLACED):
            found.append(replace(opened.pop(alert.subject), end=alert.time))
    return tuple(sorted((*found, *opened.values()), key=lambda each: each.begin))


def pair(recorded: Iterable[Episode], rehearsed: Iterable[Episode]) -> tuple[Pairing, ...]:
    """Match each recorded episode with the nearest rehearsed one of its kind, at most `SAME_EVENT` away."""
    left = list(rehearsed)
    pairings: list[Pairing] = []
    for episode in recorded:
        alike = [other for other in left if (other.kind, other.cause) == (episode.kind, episode.cause)]
        near = [other for other in alike if abs(other.begin - episode.begin) <= SAME_EVENT]
        nearest = min(near, key=lambda other: abs(other.begin - episode.begin), default=None)
        if nearest is not None:
            left.remove(nearest)
        pairings.append(Pairing(kind=episode.kind, cause=episode.cause, recorded=episode, rehearsed=nearest))
    pairings += [Pairing(kind=each.kind, cause=each.cause, recorded=None, rehearsed=each) for each in left]
    return tuple(sorted(pairings, key=lambda each: each.begin))
