"""BatchWatch: one batch between the store and the pipeline.

Takes what is stored and not yet concluded from, in order, and saves what follows from it. The state is saved in the
same transaction as every alert, so a restart neither loses an alert nor sends one twice; between alerts it is saved
only now and then, to spare a memory card, and a restart draws the same conclusions again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import partial
from typing import Final

import structlog

from alerts.alert import Alert, Kind, Subject
from alerts.engine import CLOSED, withdrawn
from alerts.settings import AlertSettings
from fermentation.estimate import Estimate
from gylewatch import pipeline
from gylewatch.lateness import Lateness
from gylewatch.reading_order import ReadingOrder
from gylewatch.sample_order import SampleOrder
from gylewatch.values import Batch, BatchId, ProbeReading, Reading, Sample, utc_text
from storage.records import BatchRecord, Footing
from storage.store import Store

READINGS_AT_ONCE: Final = 200
# Readings that go into one transaction while catching up: some hundred kilobytes of memory, and a stop is answered
# within half a second.

PROBES_AT_ONCE: Final = 500  # some kilobytes; a probe that reports each second fills it in eight minutes

STATE_EVERY: Final = timedelta(minutes=30)
# A state has about 150 kilobytes, seven megabytes a day, and a restart draws half an hour of conclusions again in
# milliseconds.

TOLD_WITHIN: Final = timedelta(hours=48)
# When a batch is read again under another curve or another version of the program, the same turn of events may be
# found some hours earlier or later. Nobody wants to hear of it again.

AHEAD: Final = timedelta(minutes=10)
# What lies farther ahead was stamped while the clock was ahead; a float's own clock may err by five minutes.

BACK_FOR: Final = timedelta(minutes=10)
# So long the clock must say so: after a start it may be behind until network time has set it.

_log = structlog.get_logger(__name__)


@dataclass(slots=True)
class _Pending:
    """What one step led to and is not saved yet."""

    estimates: list[Estimate] = field(default_factory=list)
    alerts: list[Alert] = field(default_factory=list)
    untold: list[Alert] = field(default_factory=list)  # those of `alerts` that are news to nobody


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """What a step did, for those who publish and show it."""

    batch_id: BatchId
    estimate: Estimate | None  # the newest one, if there is a new one; None while a batch is read again
    alerts: tuple[Alert, ...]  # new ones, saved
    until: datetime | None  # time of the last reading taken
    more: bool  # there are stored readings left
    ended: datetime | None = None  # when the batch did


class BatchWatch:
    """Follows one batch, to its end if it has ended. One thread only.

    Parameters
    ----------
    store : the database
    record : the batch, with a curve version
    alert_settings : thresholds
    channels : names of the channels to which alerts go
    """

    def __init__(
        self, store: Store, record: BatchRecord, alert_settings: AlertSettings, channels: Sequence[str]
    ) -> None:
        self._store = store
        self._channels = tuple(channels)
        self._record = record
        self._course = _course(store, record, alert_settings)
        self._told: tuple[Alert, ...] = ()  # not empty while a batch is read again
        self._rereading = False
        self._found: dict[Subject, Alert] = {}  # the last one of each that was raised while a batch is read again
        self._still_open: dict[Subject, Alert] = {}  # told before a batch was read again, and not found again yet
        self._ahead_since: datetime | None = None  # by the clock that says so
        self._clock_doubt: str | None = None
        self._left_out_from: datetime | None = None  # the earliest reading that was left out as ahead of the clock
        self._newest: Estimate | None = None  # the newest estimate, if it was not told
        self._anew = False  # estimates of before the batch was read again are still stored:
        self._anew_since: datetime | None = None  # those of later than this; None: all
        self._news: list[Alert] = []  # what was found so far while a batch is read again, and not told
        self._late = Lateness()
        self._put_in_order_at: datetime | None = None  # when it was last read again for late readings
        self._state = pipeline.start(self._course)
        self._order = ReadingOrder(store, record.batch)
        self._samples = SampleOrder(store, record)
        self._probe_cursor = 0
        self._saved_at: datetime | None = None
        self._footing = self._footing_now()
        self._restore()

    @property
    def record(self) -> BatchRecord:
        return self._record

    @property
    def clock_doubt(self) -> str | None:
        """Why the clock cannot be right if what was measured is, in one sentence; as of the last `mind_clock`."""
        return self._clock_doubt

    def update(self, record: BatchRecord) -> None:
        """Go on with changed facts of the batch; the curve and float are the same.

        A belief that has learnt from other facts (original gravity, additions) is formed anew from all readings; one of
        them may concern last week.
        """
        written = pipeline.encode_state(self._state)
        self._course = _course(self._store, record, self._course.alert_settings)
        self._record = record
        try:
            self._state = pipeline.decode_state(written, record.batch)
        except pipeline.StaleState as error:
            _log.info("reading a batch again from the start", batch=record.batch_id, reason=str(error))
            self.read_again()
        if record.ended is not None:
            self._store.forget_state(record.batch_id)  # until it is read to its end, for which a state stands

    def mind_clock(self, now: datetime) -> None:
        """Read the batch again when the clock was far ahead and has come back: every true reading would be too late.

        Readings from later than `now` are left out then, and taken when their time has come; samples wait for it.
        """
        if self._left_out_from is not None and self._left_out_from <= now:
            self.read_again()
        memory = self._state.alerts.memory
        newest = max((time for time in (memory.clock, memory.probe.heard) if time is not None), default=None)
        self._clock_doubt = None
        if newest is None or newest <= now + AHEAD:
            self._ahead_since = None
        elif self._ahead_since is None or now < self._ahead_since:
            self._ahead_since = now
        elif now - self._ahead_since >= BACK_FOR:
            _log.warning("the clock was ahead; reading a batch again", batch=self._record.batch_id, newest=str(newest))
            self._ahead_since = None
            self.read_again()
        if self._ahead_since is not None and newest is not None:
            self._clock_doubt = (
                f"batch {self._record.batch.name}: a reading or sample is of {utc_text(newest, 'seconds')}, when this "
                f"machine's clock said {utc_text(self._ahead_since, 'seconds')}: check it (timedatectl); after "
                f"{BACK_FOR.total_seconds() / 60:.0f} minutes it is believed, and the batch read again"
            )

    def mind_late_readings(self, now: datetime) -> None:
        """Read the batch again once many readings have come late and no more do: in the order of their time.

        In the order of arrival an estimate makes little of what is hours old, and nothing of what is older. Where the
        batch has ended nobody does it later.
        """
        self._late = self._late.watched(now)
        if self._late.is_due(now, self._put_in_order_at) or self._ended_late:
            _log.info(
                "reading a batch again, as readings came late", batch=self._record.batch_id, late=self._late.count
            )
            self._put_in_order_at = now
            self.read_again()

    @property
    def _ended_late(self) -> bool:
        return self._record.ended is not None and self._late.matters

    def step(self, now: datetime | None = None) -> Progress:
        """Conclude from the next stored readings and samples, and save it.

        Parameters
        ----------
        now : samples from later than this wait, and while a batch is read again, readings are left out; None: none are
        """
        if self._sample_was_withdrawn():
            _log.info("reading a batch again without a withdrawn sample", batch=self._record.batch_id)
            self.read_again()
        self._samples.look()
        if self._samples.is_overtaken(self._state.alerts.memory.silence.reading_time):
            _log.info("reading a batch again, as a sample was entered late", batch=self._record.batch_id)
            self.read_again()
        readings = self._order.page(READINGS_AT_ONCE)
        more = len(readings) == READINGS_AT_ONCE
        ended = self._record.ended
        latest = ended or (now + AHEAD if now is not None else None)
        horizon = latest if self._rereading or ended else None
        probes = _ProbeQueue(self._store, self._record.batch, self._probe_cursor, horizon)
        pending = _Pending()
        for reading in readings:
            self._take_probes(probes, until=reading.time)
            self._take_samples(pending, until=reading.time if horizon is None else min(reading.time, horizon))
            if horizon is not None and reading.time > horizon:
                self._leave_out(reading.time)
            else:
                self._take_reading(reading, pending)
        if not more:
            self._take_samples(pending, until=latest)
            self._take_probes(probes, until=None)
        if not more and self._rereading:
            self._end_rereading(pending, horizon)
        elif ended is not None and not self._rereading:
            self._drop_ends_of_what_is_closed(pending)
        alerts = self._save(pending)
        newest = None
        if not self._rereading:  # what was believed of the past is no state of the beer
            newest, self._newest = self._newest, None
        until = readings[-1].time if readings else None
        more = more or self._ended_late
        return Progress(
            batch_id=self._record.batch_id, estimate=newest, alerts=alerts, until=until, more=more, ended=ended
        )

    def tick(self, now: datetime) -> Progress:
        """Judge that time has passed. Only when everything stored has been concluded from."""
        pending = _Pending()
        self._conclude(pipeline.on_tick(self._course, self._state, now), pending)
        self._withdraw(self._still_open, pending)
        self._still_open = {}
        alerts = self._save(pending)
        return Progress(batch_id=self._record.batch_id, estimate=None, alerts=alerts, until=None, more=False)

    def save(self) -> None:
        """Save the state, so that a restart goes on from here."""
        self._save(_Pending(), with_state=True)

    def _restore(self) -> None:
        stored = self._store.state(self._record.batch_id)
        if stored is None:
            batch_id = self._record.batch_id
            known = self._store.latest_estimate(batch_id) is not None or self._store.alerts(batch_id, limit=1)
            if known or self._record.reopened is not None:
                self.read_again()  # somebody had it forgotten; what was told is not told again
            return
        try:
            self._state = pipeline.decode_state(stored.state, self._record.batch)
        except pipeline.StaleState as error:
            _log.warning("reading a batch again from the start", batch=self._record.batch_id, reason=str(error))
            self.read_again()
            return
        self._order = ReadingOrder(self._store, self._record.batch, cursor=stored.cursor)
        self._samples = SampleOrder(self._store, self._record, cursor=stored.sample_cursor)
        self._probe_cursor = stored.probe_cursor
        # Stopped between the end of reading again and the first tick.
        self._still_open = self._gone(self._open_on_record(_Pending()))

    def read_again(self) -> None:
        """Begin anew. Alerts that were told stay told, and estimates stand until new ones reach their time."""
        self._footing = self._footing_now()
        self._store.forget_state(self._record.batch_id)
        self._anew, self._anew_since = True, None
        self._told = tuple(record.alert for record in self._store.alerts(self._record.batch_id))
        self._found, self._still_open = {}, {}
        self._rereading = True
        self._news, self._newest = [], None
        self._left_out_from = None
        self._late = Lateness()
        self._state = pipeline.start(self._course)
        self._order = ReadingOrder(self._store, self._record.batch, by_time=True)
        self._samples = SampleOrder(self._store, self._record)
        self._probe_cursor = 0
        self._saved_at = None

    def _sample_was_withdrawn(self) -> bool:
        return self._store.footing(self._record.batch_id).withdrawn != self._footing.withdrawn

    def _footing_now(self) -> Footing:
        # Under the curve that is used here: another one that was chosen meanwhile makes void what follows from this.
        return replace(self._store.footing(self._record.batch_id), curve=self._record.curve_version)

    def _take_reading(self, reading: Reading, pending: _Pending) -> None:
        self._note_late(reading)
        self._safely(lambda: pipeline.on_reading(self._course, self._state, reading), pending, reading.time)
        if self._saved_at is None:
            self._saved_at = reading.time - STATE_EVERY

    def _note_late(self, reading: Reading) -> None:
        mattered = self._late.matters
        if reading.time >= self._record.batch.pitched:
            newest = self._state.alerts.memory.silence.reading_time or reading.time
            self._late = self._late.after(reading.time, max(newest, self._state.belief.time))  # a sample's, perhaps
        if self._late.matters and not mattered:
            # Without a state a service that is stopped before it is calm reads the batch again when it starts.
            self._store.forget_state(self._record.batch_id)

    def _take_probes(self, probes: _ProbeQueue, *, until: datetime | None) -> None:
        """Let the pipeline hear the vessel's probe up to a time; None: all that is stored."""
        for row, heard in probes.up_to(until):
            if probes.is_ahead(heard):
                self._leave_out(heard.time)
            else:
                self._state = pipeline.on_probe(self._course, self._state, heard)
            self._probe_cursor = row

    def _leave_out(self, time: datetime) -> None:
        self._left_out_from = min(self._left_out_from or time, time)

    def _take_samples(self, pending: _Pending, *, until: datetime | None) -> None:
        for sample in self._samples.up_to(until):
            self._safely(partial(self._measured, sample), pending, sample.time)

    def _measured(self, sample: Sample) -> pipeline.Outcome:
        return pipeline.on_sample(self._course, self._state, sample)

    def _safely(self, step: Callable[[], pipeline.Outcome], pending: _Pending, time: datetime) -> None:
        """One event that cannot be concluded from must not stop the batch: it is left out, and the log says why."""
        try:
            outcome = step()
            if outcome.left_out:
                _log.warning("a sample is left out", batch=self._record.batch_id, reason=outcome.left_out)
        except Exception:
            _log.exception("an event could not be used and is left out", batch=self._record.batch_id, time=str(time))
        else:
            self._conclude(outcome, pending)

    def _conclude(self, outcome: pipeline.Outcome, pending: _Pending) -> None:
        self._state = outcome.state
        if outcome.estimate is not None:
            pending.estimates.append(outcome.estimate)
            self._newest = outcome.estimate
        if self._rereading:
            self._found |= {alert.subject: alert for alert in outcome.alerts if alert.resolves is None}
        news = self._news if self._rereading else pending.alerts
        news.extend(alert for alert in outcome.alerts if not self._was_told(alert))

    def _end_rereading(self, pending: _Pending, horizon: datetime | None) -> None:
        """From here on everything is news, but for what only a tick finds again: that the float is still silent.

        What was told, is open and has not been found again is over, and what was over and is found again stands: both
        are told. What began and ended in what was read again is for the record. What was told of a time for which
        readings were left out may stand: the clock is perhaps behind. The first tick decides; by then the clock is
        believed.
        """
        pending.alerts[:0] = self._news
        pending.untold.extend(_begun_and_over(self._news))
        self._news = []
        on_record = self._open_on_record(pending)
        self._raise_again(on_record, pending)
        self._rereading = False
        self._told = ()
        gone = self._gone(on_record)
        self._still_open = {
            subject: alert
            for subject, alert in gone.items()
            if subject.kind is Kind.FLOAT_SILENT or (horizon is not None and alert.time > horizon)
        }
        self._withdraw({subject: gone[subject] for subject in gone.keys() - self._still_open.keys()}, pending)

    def _open_on_record(self, pending: _Pending) -> dict[Subject, Alert]:
        """What is open by what is stored and by what is about to be."""
        stored = [record.alert for record in self._store.alerts(self._record.batch_id)]
        # In order of time, as the store tells it: an end that is found now may lie before a beginning on record.
        last = {alert.subject: alert for alert in sorted([*stored, *pending.alerts], key=lambda alert: alert.time)}
        return {subject: alert for subject, alert in last.items() if alert.resolves is None}

    def _gone(self, on_record: Mapping[Subject, Alert]) -> dict[Subject, Alert]:
        found = {alert.subject for alert in self._state.alerts.open}
        return {subject: alert for subject, alert in on_record.items() if subject not in found}

    def _drop_ends_of_what_is_closed(self, pending: _Pending) -> None:
        """What the end of the batch has closed already is not over once more because it is read on."""
        if not pending.alerts:
            return
        opened = {record.alert.subject for record in self._store.open_alerts(self._record.batch_id)}
        kept = []
        for alert in pending.alerts:
            if alert.resolves is None:
                opened.add(alert.subject)
            elif alert.subject not in opened:
                continue
            kept.append(alert)
        pending.alerts[:] = kept

    def _raise_again(self, on_record: Mapping[Subject, Alert], pending: _Pending) -> None:
        over = self._closed_by_the_end()
        for subject in (alert.subject for alert in self._state.alerts.open):
            found = self._found.get(subject)
            if subject in on_record or subject in over or found is None:
                continue
            again = replace(found, time=self._state.alerts.memory.clock or found.time)
            if not self._was_told(found):
                pending.untold.append(again)  # it was news a moment ago, though it lies before an end on record
            pending.alerts.append(again)

    def _closed_by_the_end(self) -> set[Subject]:
        """What was open when the batch ended, and is over with it: programs have heard of both."""
        if self._record.ended is None:
            return set()
        last = {alert.subject: alert for alert in (each.alert for each in self._store.alerts(self._record.batch_id))}
        return {subject for subject, alert in last.items() if alert.evidence.get(CLOSED)}

    def _withdraw(self, gone: Mapping[Subject, Alert], pending: _Pending) -> None:
        clock = self._state.alerts.memory.clock
        pending.alerts.extend(withdrawn(alert, clock or alert.time) for alert in gone.values())

    def _was_told(self, alert: Alert) -> bool:
        if alert.subject in self._still_open:
            del self._still_open[alert.subject]
            return alert.resolves is None
        if not self._rereading:
            return False
        told = [each for each in self._told if each.subject == alert.subject]
        if any(each.resolves == alert.resolves and abs(each.time - alert.time) < TOLD_WITHIN for each in told):
            return True
        if alert.resolves is None:
            return bool(told) and told[-1].resolves is None  # it is open, however much earlier it was raised
        # An end that is news: what is raised after it is news as well.
        self._told = tuple(each for each in self._told if each.subject != alert.subject)
        return False

    def _save(self, pending: _Pending, *, with_state: bool = False) -> tuple[Alert, ...]:
        newest = pending.estimates[-1].time if pending.estimates else None
        due = newest is not None and (self._saved_at is None or newest - self._saved_at >= STATE_EVERY)
        # While a batch is read again only its end is kept: after a kill it begins anew, and knows what was told.
        # So it does where it is about to be read again.
        wanted = with_state or (self._record.ended is None and (due or bool(pending.alerts)))
        whole = wanted and not self._rereading and not self._late.matters
        through = self._anew and not self._rereading
        untold = [*_over_when_found(pending.alerts), *pending.untold]
        if self._record.ended is not None:  # nobody can do anything about that beer any more
            untold += [alert for alert in pending.alerts if alert.resolves is None]
        if not (whole or pending.estimates or pending.alerts or through):
            return ()
        saved = self._store.save_outcomes(
            self._record.batch_id,
            estimates=pending.estimates,
            alerts=pending.alerts,
            untold=untold,
            state=pipeline.encode_state(self._state) if whole else None,
            cursor=self._order.cursor if whole else None,
            sample_cursor=self._samples.cursor if whole else None,
            probe_cursor=self._probe_cursor if whole else None,
            channels=self._channels,
            # A state that learnt from a withdrawn sample, or is of before a reopening that forgot its estimates, must
            # not come back.
            footing=self._footing,
            anew=(self._anew_since, newest if self._rereading else None) if self._anew else None,
        )
        self._anew, self._anew_since = self._rereading, newest
        if whole and newest is not None:
            self._saved_at = newest
        return tuple(record.alert for record in saved)


class _ProbeQueue:
    """What the vessel's own probe said since a row, in order of arrival; read from the store as it is needed."""

    def __init__(self, store: Store, batch: Batch, cursor: int, horizon: datetime | None) -> None:
        self._store = store
        self._batch = batch
        self._cursor = cursor
        self._horizon = horizon  # what is from later than this is not taken
        self._waiting: deque[tuple[int, ProbeReading]] = deque()
        self._more = True

    def up_to(self, time: datetime | None) -> Iterator[tuple[int, ProbeReading]]:
        """The next readings, until one is from later than `time`; that one waits, unless it is ahead of the clock."""
        while self._fill():
            heard = self._waiting[0][1]
            if time is not None and heard.time > time and not self.is_ahead(heard):
                return
            yield self._waiting.popleft()

    def is_ahead(self, heard: ProbeReading) -> bool:
        return self._horizon is not None and heard.time > self._horizon

    def _fill(self) -> bool:
        if not self._waiting and self._more:
            vessel, pitched = self._batch.vessel, self._batch.pitched
            found = self._store.probe_readings_after(vessel, self._cursor, PROBES_AT_ONCE, since=pitched)
            self._waiting.extend(found)
            self._more = len(found) == PROBES_AT_ONCE
            self._cursor = found[-1][0] if found else self._cursor
        return bool(self._waiting)


def _over_when_found(alerts: Sequence[Alert]) -> list[Alert]:
    """Silences that ended in the same step in which they were found: for the record, and news to nobody."""
    return _begun_and_over([alert for alert in alerts if alert.subject.kind is Kind.FLOAT_SILENT])


def _begun_and_over(alerts: Sequence[Alert]) -> list[Alert]:
    """Those that both begin and end in `alerts`, with their ends."""
    found: list[Alert] = []
    begun: dict[Subject, Alert] = {}
    for alert in alerts:
        if alert.resolves is None:
            begun[alert.subject] = alert
        elif alert.subject in begun:
            found += [begun.pop(alert.subject), alert]
    return found


def _course(store: Store, record: BatchRecord, alert_settings: AlertSettings) -> pipeline.Course:
    if record.curve_version is None:
        raise ValueError(f"batch {record.batch_id} has no curve")
    curve = store.curve(record.batch.float_id, record.curve_version).curve
    return pipeline.Course(batch=record.batch, curve=curve, alert_settings=alert_settings)
