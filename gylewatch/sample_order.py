"""SampleOrder: in which order a batch takes its hand samples, and whether one was entered too late for its turn."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from datetime import datetime
from itertools import pairwise

from gylewatch.values import Sample
from storage.records import BatchRecord
from storage.store import Store


class SampleOrder:
    """A place in a batch's hand samples.

    In the order in which they were entered, so that none is missed. A batch that is read again takes what was entered
    by then in the order in which it was drawn, as a replay does; what is entered after that follows.

    Parameters
    ----------
    store : the database
    record : the batch whose samples they are
    cursor : the id of the one that was taken last
    by_time : begin with the first one, in order of time
    """

    def __init__(self, store: Store, record: BatchRecord, *, cursor: int = 0, by_time: bool = False) -> None:
        self._store = store
        self._batch_id = record.batch_id
        self._pitched = record.batch.pitched
        self.cursor = cursor  # the id up to which all were taken; in order of time: once none waits
        stored = store.samples(record.batch_id)
        self._newest = max((sample.time for row, sample in stored if row <= cursor), default=self._pitched)
        self._waiting = deque(stored if by_time else ())
        self._seen = max([cursor, *(row for row, _ in self._waiting)])

    def look(self) -> None:
        """Take note of what was entered since the last look."""
        entered = self._store.sample_after(self._batch_id, self._seen)
        self._waiting.extend(entered)
        self._seen = entered[-1][0] if entered else self._seen

    def is_overtaken(self, by: datetime | None) -> bool:
        """Whether what was drawn before it was taken ahead of one that waits, or stands ahead of it.

        Parameters
        ----------
        by : time of the newest reading that was taken, which comes after a sample of the same time
        """
        # What was drawn before pitching changes nothing, whenever it is taken.
        times = [sample.time for _, sample in self._waiting if sample.time >= self._pitched]
        late = by is not None and any(time <= by for time in times)
        return late or any(time < before for before, time in pairwise([self._newest, *times]))

    def up_to(self, time: datetime | None) -> Iterator[Sample]:
        """The next samples, until one was drawn after `time`; None: all that wait."""
        while self._waiting and (time is None or self._waiting[0][1].time <= time):
            row, sample = self._waiting.popleft()
            self.cursor = max(self.cursor, row)
            self._newest = max(self._newest, sample.time)
            yield sample
