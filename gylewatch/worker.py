"""Worker: one thread that lets every active batch follow what is stored."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Final

import structlog

from alerts.settings import AlertSettings
from collector.steady import steady_s
from gylewatch.clock import Clock
from gylewatch.closing import close
from gylewatch.errors import NotFound, StorageError
from gylewatch.routine import Routine
from gylewatch.values import BatchId, FloatId, Reading
from gylewatch.watch import BatchWatch, Progress
from storage.records import BatchRecord
from storage.store import Store

LOOK_EVERY_S: Final = 5.0
# New batches, samples and curves come through the database, also from other programs: a person who has just typed a
# sample looks at the page within seconds, and the look costs a few milliseconds.

_log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkerHealth:
    """A snapshot of the worker."""

    problems: tuple[str, ...]  # one sentence each


class Worker(Routine):
    """Concludes from stored readings and samples, batch by batch. At its end it saves every state.

    Parameters
    ----------
    store : the database
    clock : for ticks
    alert_settings : thresholds
    channels : names of the channels to which alerts go
    on_progress : called after each saved step; must not block for long and not raise
    """

    def __init__(
        self,
        store: Store,
        *,
        clock: Clock,
        alert_settings: AlertSettings,
        channels: Sequence[str],
        on_progress: Callable[[Progress], None],
    ) -> None:
        super().__init__("worker", stop_s=10.0)
        self._store = store
        self._clock = clock
        self._alert_settings = alert_settings
        self._channels = tuple(channels)
        self._on_progress = on_progress
        self._watches: dict[BatchId, BatchWatch] = {}
        self._behind: set[BatchId] = set()  # those with readings that are stored and not taken yet
        self._to_tick: set[BatchId] = set()  # a tick is judged once all that is stored has been concluded from
        self._problems: dict[tuple[str, str], str] = {}  # by batch, or "" for all, and by what failed
        self._seen_until: dict[FloatId, datetime] = {}
        self._closes = True  # look after ended batches: at the start, and when one was let go of
        self._ends: dict[FloatId, datetime] = {}  # when the last batch of each float ended that was let go of
        self._named: set[BatchId] = set()  # in the log; each is taken up again after every failure of the store
        self._lock = threading.Lock()  # guards the three below
        self._heard: dict[FloatId, datetime] = {}  # of each float the earliest reading that is new
        self._look = True
        self._tick = False

    def stored(self, readings: Iterable[Reading]) -> None:
        """Tell that new readings are stored; any thread."""
        with self._lock:
            for reading in readings:
                earliest = self._heard.get(reading.float_id)
                if earliest is None or reading.time < earliest:
                    self._heard[reading.float_id] = reading.time
        self.wake()

    def tick(self) -> None:
        """Ask to judge that time has passed; any thread."""
        with self._lock:
            self._tick = True
        self.wake()

    def look(self) -> None:
        """Ask to look for new batches and samples now; any thread."""
        with self._lock:
            self._look = True
        self.wake()

    def concluded_until(self, float_id: FloatId) -> datetime | None:
        """The time of the newest reading of a float from which conclusions are saved; any thread."""
        return self._seen_until.get(float_id)

    def health(self) -> WorkerHealth:
        """A snapshot; any thread."""
        return WorkerHealth(problems=tuple(self._problems.copy().values()))

    def _run(self) -> None:
        look_at_s = steady_s() + LOOK_EVERY_S
        while not self._stopping.is_set():
            self._wake.wait(max(look_at_s - steady_s(), 0.0))
            self._wake.clear()
            if steady_s() >= look_at_s:  # however much else there is to do
                self.look()
                look_at_s = steady_s() + LOOK_EVERY_S
            try:
                self._turn()
            except StorageError as error:
                self._report("", "storage", str(error))
                self._forget_watches()
                self._stopping.wait(1.0)
            except Exception:
                # A fault in one turn must not end the watch over every beer: the log has it, and the next turn tries.
                _log.exception("a turn of the worker failed")
                self._report("", "turn", "something went wrong while judging the batches; the log has the details")
                self._forget_watches()
                self._stopping.wait(1.0)
            else:
                self._report("", "storage", None)
                self._report("", "turn", None)
        self._save_all()

    def _turn(self) -> None:
        with self._lock:
            heard, self._heard = self._heard, {}
            look, self._look = self._look, False
            tick, self._tick = self._tick, False
        if any(time <= self._ends[float_id] for float_id, time in heard.items() if float_id in self._ends):
            self._closes = look = True  # a beer that has ended meanwhile may be read on
        if look or tick:
            self._renew()
        for batch_id, watch in list(self._watches.items()):
            if look or tick or watch.record.batch.float_id in heard or batch_id in self._behind:
                self._by_itself(watch.record, "following", partial(self._follow, watch))
        self._behind &= self._watches.keys()
        if self._behind:
            self.wake()
        if tick:
            self._to_tick = set(self._watches)
        now = self._clock.now()
        for batch_id, watch in list(self._watches.items()):
            if batch_id in self._to_tick - self._behind:
                self._by_itself(watch.record, "ticking", partial(self._tick_one, watch, now))
        self._to_tick &= self._behind
        if self._closes:
            self._close_ended()

    def _by_itself(self, record: BatchRecord, what: str, work: Callable[[], None]) -> None:
        """Work on one batch; a fault that is its own must not end the watch over the others."""
        try:
            work()
        except StorageError:
            raise
        except NotFound as error:
            _log.info("a batch was removed", batch=record.batch_id, problem=str(error))
            self._watches.pop(record.batch_id, None)
        except Exception:
            if (record.batch_id, what) not in self._problems:  # once, for it is tried again every few seconds
                _log.exception("a batch could not be judged", batch=record.batch_id)
            self._report(
                record.batch_id,
                what,
                f"batch {record.batch.name}: something went wrong while judging it, which is tried again within a "
                "minute; the log has the details",
            )
            self._watches.pop(record.batch_id, None)  # it may be half done; what is stored is not
        else:
            self._report(record.batch_id, what, None)

    def _follow(self, watch: BatchWatch) -> None:
        """Take what comes next; the rest in the next turns, so that a batch that is read again holds no other up."""
        if self._stopping.is_set():
            return  # each of many batches would take its time
        now, batch_id = self._clock.now(), watch.record.batch_id
        if watch.record.ended is None:  # else its end bounds what is taken, whatever the clock says
            watch.mind_clock(now)
            self._report(batch_id, "clock", watch.clock_doubt)
        watch.mind_late_readings(now)
        progress = watch.step(now)
        self._tell(progress)
        if progress.until is not None:
            self._seen_until[watch.record.batch.float_id] = progress.until
        if progress.more:
            self._behind.add(batch_id)
            return
        self._behind.discard(batch_id)
        if watch.record.ended is not None:
            self._let_go(watch)

    def _let_go(self, watch: BatchWatch) -> None:
        """Save the state of a batch that is read to its end: without one it is read again at the next start."""
        watch.save()
        del self._watches[watch.record.batch_id]
        self._named.discard(watch.record.batch_id)
        self._closes = True

    def _tick_one(self, watch: BatchWatch, now: datetime) -> None:
        if not self._stopping.is_set():
            self._tell(watch.tick(now))

    def _tell(self, progress: Progress) -> None:
        for alert in progress.alerts:
            _log.info("alert", batch=progress.batch_id, kind=alert.kind, resolves=alert.resolves, text=alert.summary)
        if progress.alerts or progress.estimate is not None:
            self._on_progress(progress)

    def _renew(self) -> None:
        """Take up new batches and changed facts. What has ended stays until it is read to its end, page by page."""
        active = {record.batch_id: record for record in self._store.batches(active_only=True)}
        for batch_id in set(self._watches) - set(active):
            watch = self._watches[batch_id]
            self._by_itself(watch.record, "changing", partial(self._end, watch))
        unread = self._store.left_unread() if self._closes else ()
        for record in (*self._store.broken_off(), *unread):  # also one that somebody wants read under another curve
            if record.batch_id not in self._watches:
                self._by_itself(record, "taking up", partial(self._take_up, record))
        for batch_id, record in active.items():
            known = self._watches.get(batch_id)
            if known is None:
                self._by_itself(record, "taking up", partial(self._take_up, record))
            elif record != known.record:
                self._by_itself(record, "changing", partial(self._change, known, record))
        for about, what in list(self._problems):
            if about and about not in active:
                self._report(about, what, None)

    def _end(self, watch: BatchWatch) -> None:
        record = self._store.batch(watch.record.batch_id)
        if record != watch.record:
            self._change(watch, record)

    def _close_ended(self) -> None:
        ended = [record for record in self._store.batches() if record.batch_id not in self._watches]
        for batch_id, alerts in close(self._store, ended, self._channels).items():
            self._tell(Progress(batch_id=batch_id, estimate=None, alerts=alerts, until=None, more=False))
        self._ends = {}
        for record in ended:
            if record.ended is not None:
                before = self._ends.get(record.batch.float_id, record.ended)
                self._ends[record.batch.float_id] = max(record.ended, before)
        self._closes = False

    def _take_up(self, record: BatchRecord) -> None:
        version = record.curve_version
        if version is None:
            newest = self._store.current_curve(record.batch.float_id)
            if newest is None:
                if self._store.latest_estimate(record.batch_id) is not None:  # of the float that it had before
                    self._store.forget_estimates(record.batch_id)
                self._report(
                    record.batch_id,
                    "curve",
                    f"batch {record.batch.name}: float {record.batch.float_id} has no curve; "
                    "make one with: gylewatch curve add references.csv",
                )
                return
            record = self._store.set_batch_curve(record.batch_id, newest.version)
        self._report(record.batch_id, "curve", None)
        self._report(record.batch_id, "changing", None)  # taken up with the change
        self._watches[record.batch_id] = BatchWatch(self._store, record, self._alert_settings, self._channels)
        if record.batch_id not in self._named:
            self._named.add(record.batch_id)
            _log.info("watching a batch", batch=record.batch_id, float=record.batch.float_id)

    def _change(self, watch: BatchWatch, record: BatchRecord) -> None:
        before = watch.record
        if _read_under(record) == _read_under(before):
            watch.update(record)
            return
        if record.curve_version is None:  # of another float, that is not calibrated yet
            del self._watches[record.batch_id]
            self._take_up(record)
            return
        watch = BatchWatch(self._store, record, self._alert_settings, self._channels)
        watch.read_again()
        self._watches[record.batch_id] = watch

    def _forget_watches(self) -> None:
        # Whatever is in memory may be half done; what is stored is not.
        self._watches.clear()
        self._closes = True  # one that ended meanwhile would be missed
        self.look()

    def _save_all(self) -> None:
        for watch in list(self._watches.values()):
            if watch.record.ended is not None:
                continue  # it is not read to its end
            try:
                self._by_itself(watch.record, "saving", watch.save)
            except StorageError as error:
                _log.error("a state could not be saved; it will be concluded again", problem=str(error))

    def _report(self, about: str, what: str, problem: str | None) -> None:
        if problem is None:
            self._problems.pop((about, what), None)
        elif self._problems.get((about, what)) != problem:
            self._problems[about, what] = problem
            _log.warning("problem", problem=problem)


def _read_under(record: BatchRecord) -> tuple[object, ...]:
    """A watch goes on only while this stays: another curve or float, or an end that was taken back, begins it anew."""
    return record.curve_version, record.batch.float_id, record.reopened
