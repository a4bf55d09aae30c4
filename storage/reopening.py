"""Reopening: a batch that was ended too early is active again, as if it had not been ended."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

from sqlalchemy import Connection, Select, delete, exists, func, or_, select, update

from alerts.engine import CLOSED
from gylewatch.values import BatchId, utc_text
from storage.batches import batch_record, other_batch, require_batch
from storage.outbox import begin_again, last_beginning
from storage.outcomes import forget, not_emptied
from storage.part import Part
from storage.records import BatchRecord, NotReopened
from storage.schema import (
    NOT_RESOLVING,
    AlertRow,
    BatchRow,
    BatchStateRow,
    EstimateRow,
    OutboxRow,
    ReadingRow,
    SampleRow,
)

_ENDED_LAST: Final = 100  # batches; to look through their readings takes a small board a second


class Reopening(Part):
    """Takes back the end of a batch."""

    def why_not_reopened(self, batch_id: BatchId) -> str:
        """Why a batch cannot be active again, with the remedy; empty: it can.

        Raises
        ------
        NotFound
            No batch has that identifier.
        """
        with self._database.reading() as connection:
            return _why_not(connection, require_batch(connection, batch_id))

    def why_not_read_again(self, batch_id: BatchId) -> str:
        """Why a batch cannot be read again from its pitching; empty: it can.

        Raises
        ------
        NotFound
            No batch has that identifier.
        """
        with self._database.reading() as connection:
            deleted = _readings_deleted_since(connection, require_batch(connection, batch_id))
        if deleted is None:
            return ""
        return f"its readings since {utc_text(deleted, 'minutes')} are deleted, and it cannot be read again"

    def broken_off(self) -> tuple[BatchRecord, ...]:
        """Ended batches that were still being read (again) when the program stopped, and can be: they have no state."""
        query = select(BatchRow).outerjoin(BatchStateRow, BatchStateRow.batch_id == BatchRow.batch_id)
        query = query.where(BatchRow.ended.is_not(None), BatchRow.curve_version.is_not(None))
        return self._readable(query.where(BatchStateRow.batch_id.is_(None)))

    def left_unread(self) -> tuple[BatchRecord, ...]:
        """Ended batches with readings from before their end that came after what their state has taken.

        The service was stopped before it had concluded from them, or they waited with the broker meanwhile. Of the
        batches that ended last only: each start and each end looks, and what lacked longer ago was read then. Not one
        whose first readings are deleted: it might have to be read again. Nor one whose estimates are thinned: without
        what it carried it would be read again from its pitching, and be thinned once more in the next night.
        """
        query = select(BatchRow.batch_id).where(BatchRow.ended.is_not(None), BatchRow.curve_version.is_not(None))
        last = query.order_by(BatchRow.ended.desc()).limit(_ENDED_LAST)
        unread = exists(
            select(ReadingRow.id).where(
                ReadingRow.float_id == BatchRow.float_id,
                ReadingRow.time >= BatchRow.pitched,
                ReadingRow.time <= BatchRow.ended,
                ReadingRow.id > BatchStateRow.reading_cursor,
            )
        )
        found = select(BatchRow).join(BatchStateRow, BatchStateRow.batch_id == BatchRow.batch_id)
        return self._readable(found.where(BatchRow.batch_id.in_(last), not_emptied(), unread))

    def _readable(self, query: Select[Any]) -> tuple[BatchRecord, ...]:
        """The batches of a query that can be read from their pitching, in the order in which they were pitched."""
        with self._database.reading() as connection:
            records = [batch_record(row) for row in connection.execute(query.order_by(BatchRow.pitched)).all()]
            return tuple(each for each in records if _readings_deleted_since(connection, each) is None)

    def reopen_batch(self, batch_id: BatchId, time: datetime) -> BatchRecord:
        """Let an ended batch be active again; what was concluded is forgotten, for it to be read again.

        Alerts that its end closed are open as before. A channel that was told of that end is told of them anew, and one
        that never was told of them, because of it, is told now.

        Parameters
        ----------
        time : now

        Raises
        ------
        NotFound
            No batch has that identifier.
        NotReopened
            It is active, its float or vessel is in use or was since, or its readings are deleted.
        """
        with self._database.writing() as connection:
            why = _why_not(connection, require_batch(connection, batch_id))
            if why:
                raise NotReopened(batch_id, why)
            change = {"ended": None, "reopened": time}
            connection.execute(update(BatchRow).where(BatchRow.batch_id == batch_id).values(**change))
            forget(connection, batch_id)
            _open_closed_alerts(connection, batch_id, time)
            return require_batch(connection, batch_id)


def _why_not(connection: Connection, record: BatchRecord) -> str:
    batch, ended = record.batch, record.ended
    if ended is None:
        return "it is active"
    active = BatchRow.ended.is_(None)
    since = or_(active, BatchRow.ended > ended)
    if other := other_batch(connection, record.batch_id, BatchRow.float_id == batch.float_id, since):
        where = "was in the batch" if other.ended else "is in the active batch"
        return (
            f"its float {batch.float_id} {where} {other.batch.name!r} since, and what it measured there would be taken "
            "for this beer; add what is in the vessel as a new batch, or, if that one was entered by mistake, remove "
            f"it: gylewatch batch remove {other.batch_id}"
        )
    if other := other_batch(connection, record.batch_id, BatchRow.vessel_id == batch.vessel, active):
        return (
            f"its vessel {batch.vessel} holds the active batch {other.batch.name!r}; end that batch first, or, if its "
            "beer lies elsewhere, change its vessel"
        )
    if deleted := _readings_deleted_since(connection, record):
        return (
            f"its readings since {utc_text(deleted, 'minutes')} are deleted, and it could not be read again; add what "
            "is in the vessel as a new batch"
        )
    return ""


def _readings_deleted_since(connection: Connection, record: BatchRecord) -> datetime | None:
    """The time of the first estimate, where the reading it was made of is there no more."""
    batch = record.batch
    samples = select(SampleRow.time).where(SampleRow.batch_id == record.batch_id)  # may lead to estimates of their own
    estimates = select(func.min(EstimateRow.time)).where(EstimateRow.batch_id == record.batch_id)
    first = connection.scalar(estimates.where(EstimateRow.time.not_in(samples)))
    own = (ReadingRow.float_id == batch.float_id, ReadingRow.time >= batch.pitched)
    oldest = connection.scalar(select(func.min(ReadingRow.time)).where(*own))
    return first if first is not None and (oldest is None or oldest > first) else None


def _open_closed_alerts(connection: Connection, batch_id: BatchId, time: datetime) -> None:
    ends = select(AlertRow.id, AlertRow.resolves, AlertRow.cause, AlertRow.evidence)
    for end in connection.execute(ends.where(AlertRow.batch_id == batch_id, AlertRow.resolves != NOT_RESOLVING)).all():
        if not end.evidence.get(CLOSED):
            continue
        told = select(OutboxRow.channel).where(OutboxRow.alert_id == end.id, OutboxRow.told > 0)
        heard_the_end = connection.scalars(told).all()
        connection.execute(delete(OutboxRow).where(OutboxRow.alert_id == end.id))
        connection.execute(delete(AlertRow).where(AlertRow.id == end.id))
        begun = last_beginning(batch_id, end.resolves, end.cause).where(AlertRow.id < end.id)
        never = (OutboxRow.told == 0) & OutboxRow.delivered.is_not(None)
        begin_again(connection, begun, or_(never, OutboxRow.channel.in_(heard_the_end)), at=time)
