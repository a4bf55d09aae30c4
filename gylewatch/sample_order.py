"""SampleOrder: in which order a batch takes its hand samples, and whether one was entered too late for its turn."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from datetime import datetime

from gylewatch.values import Sample
from storage.records import BatchRecord
from storage.store import Store


class SampleOrder:
    """A place in a batch's hand samples: in the order in which they were drawn, as a replay takes them.

    Parameters
    ----------
    store : the database
    record : the batch whose samples they are
    cursor : the id up to which all were taken
    """

    def __init__(self, store: Store, record: BatchRecord, *, cursor: int = 0) -> None:
        self._store = store
        self._batch_id = record.batch_id
        self._pitched = record.batch.pitched
        taken = (sample.time for row, sample in store.samples(record.batch_id) if row <= cursor)
        self._newest = max(taken, default=self._pitched)
        self._waiting: deque[tuple[int, Sample]] = deque()
        self._seen = cursor
        self.look()

    @property
    def cursor(self) -> int:
        """The id up to which all were taken. Behind it may be some that were, ahead of one that waits.

        Whoever goes on from here finds those overtaken by a reading, and reads the batch again.
        """
        return min((row for row, _ in self._waiting), default=self._seen + 1) - 1

    def look(self) -> None:
        """Take note of what was entered since the last look."""
        if entered := self._store.sample_after(self._batch_id, self._seen):
            self._waiting = deque(sorted([*self._waiting, *entered], key=lambda each: each[1].time))
            self._seen = entered[-1][0]

    def is_overtaken(self, by: datetime | None) -> bool:
        """Whether one that waits was drawn before what was taken already.

        Parameters
        ----------
        by : time of the newest reading that was taken, which comes after a sample of the same time
        """
        # What was drawn before pitching changes nothing, whenever it is taken.
        first = next((sample.time for _, sample in self._waiting if sample.time >= self._pitched), None)
        return first is not None and (first < self._newest or (by is not None and first <= by))

    def up_to(self, time: datetime | None) -> Iterator[Sample]:
        """The next samples, until one was drawn after `time`; None: all that wait."""
        while self._waiting and (time is None or self._waiting[0][1].time <= time):
            sample = self._waiting.popleft()[1]
            self._newest = max(self._newest, sample.time)
            yield sample
