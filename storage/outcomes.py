"""What was concluded about a batch: estimates, alerts, and the state from which the next event is judged."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, case, delete, exists, func, insert, select, update

from alerts.alert import Alert
from fermentation.estimate import Estimate
from gylewatch.errors import NotFound
from gylewatch.values import BatchId
from storage.database import insert_new, upsert
from storage.outbox import put_off, tell_again, waiting_rows
from storage.part import Part
from storage.readings import in_period
from storage.records import AlertRecord, Footing, StateRecord
from storage.schema import NOT_RESOLVING, AlertRow, BatchRow, BatchStateRow, EstimateRow, OutboxRow, SampleRow
from storage.stored import alert_from_columns, alert_to_columns, estimate_from_columns, estimate_to_columns

EMPTIED: Final = b""
# The state of a batch whose estimates are thinned: it is neither looked at each night again nor read on. Whatever has
# it read again writes a state of its own.


class Outcomes(Part):
    """Conclusions, each saved once however often it is drawn."""

    def save_outcomes(
        self,
        batch_id: BatchId,
        *,
        estimates: Sequence[Estimate] = (),
        alerts: Sequence[Alert] = (),
        state: bytes | None = None,
        cursor: int | None = None,
        sample_cursor: int | None = None,
        probe_cursor: int | None = None,
        channels: Sequence[str] = (),
        untold: Sequence[Alert] = (),
        footing: Footing | None = None,
        anew: tuple[datetime | None, datetime | None] | None = None,
    ) -> tuple[AlertRecord, ...]:
        """Save in ONE transaction what some events led to, and return the alerts that are new.

        An estimate of the same time, or an alert of the same kind, cause, time and resolution, that is there already
        stays as it is. Each new alert is put into the outbox once per channel.

        Parameters
        ----------
        state, cursor, sample_cursor, probe_cursor : None leaves what is stored
        untold : those of `alerts` that are kept for the record and go to no channel
        footing : on which this was concluded; if it has changed since, nothing is saved, since the batch is to be read
            again. None: whatever it is now
        anew : estimates stored of a time after the first and up to the second (None: no bound) give way to these

        Raises
        ------
        NotFound
            No batch has that identifier.
        ValueError
            A cursor without a state, the first time: the state says what was done with the readings before it.
        """
        with self._database.writing() as connection:
            if connection.scalar(select(BatchRow.batch_id).where(BatchRow.batch_id == batch_id)) is None:
                raise NotFound("batch", batch_id, "list them with: gylewatch batch list")
            if footing is not None and footing != _footing(connection, batch_id):
                return ()
            if anew is not None:
                since, until = anew
                old = delete(EstimateRow).where(EstimateRow.batch_id == batch_id)
                old = old if since is None else old.where(EstimateRow.time > since)
                connection.execute(old if until is None else old.where(EstimateRow.time <= until))
            if estimates:
                rows = [{"batch_id": batch_id, **estimate_to_columns(estimate)} for estimate in estimates]
                connection.execute(insert_new(connection, EstimateRow, ["batch_id", "time"]), rows)
            saved = (_save_alert(connection, batch_id, alert, () if alert in untold else channels) for alert in alerts)
            new = tuple(record for record in saved if record is not None)
            cursors = {"reading_cursor": cursor, "sample_cursor": sample_cursor, "probe_cursor": probe_cursor}
            _save_state(connection, batch_id, state, cursors)
        return new

    def footing(self, batch_id: BatchId) -> Footing:
        """What conclusions about a batch rest on now."""
        with self._database.reading() as connection:
            return _footing(connection, batch_id)

    def state(self, batch_id: BatchId) -> StateRecord | None:
        """What the pipeline carried after the last event of a batch."""
        with self._database.reading() as connection:
            row = connection.execute(select(BatchStateRow).where(BatchStateRow.batch_id == batch_id)).one_or_none()
        if row is None:
            return None
        return StateRecord(
            state=row.state,
            cursor=row.reading_cursor,
            sample_cursor=row.sample_cursor,
            probe_cursor=row.probe_cursor,
        )

    def forget_estimates(self, batch_id: BatchId) -> None:
        """Drop estimates and state of a batch, to read it again from the start. Alerts stay: they were told."""
        with self._database.writing() as connection:
            forget(connection, batch_id)

    def forget_state(self, batch_id: BatchId) -> None:
        """Drop the state of a batch: whoever takes it up next reads it again from the start."""
        with self._database.writing() as connection:
            connection.execute(delete(BatchStateRow).where(BatchStateRow.batch_id == batch_id))

    def estimates(
        self,
        batch_id: BatchId,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        limit: int | None = None,
    ) -> tuple[Estimate, ...]:
        """Estimates of a batch with ``since <= time < until``, in order of time.

        Parameters
        ----------
        limit : at most so many, the newest ones
        """
        query = in_period(select(EstimateRow).where(EstimateRow.batch_id == batch_id), EstimateRow.time, since, until)
        with self._database.reading() as connection:
            rows = connection.execute(query.order_by(EstimateRow.time.desc()).limit(limit)).mappings().all()
        return tuple(estimate_from_columns(row) for row in reversed(rows))

    def latest_estimate(self, batch_id: BatchId) -> Estimate | None:
        """The newest estimate of a batch."""
        found = self.estimates(batch_id, limit=1)
        return found[0] if found else None

    def latest_estimates(self, batch_ids: Collection[BatchId]) -> Mapping[BatchId, Estimate]:
        """The newest estimate of each of these batches that has one, in one query."""
        newest = select(func.max(EstimateRow.time)).where(EstimateRow.batch_id == BatchRow.batch_id).correlate(BatchRow)
        of_batch = (EstimateRow.batch_id == BatchRow.batch_id) & (EstimateRow.time == newest.scalar_subquery())
        query = select(EstimateRow).join_from(BatchRow, EstimateRow, of_batch)
        with self._database.reading() as connection:
            rows = connection.execute(query.where(BatchRow.batch_id.in_(batch_ids))).mappings().all()
        return {BatchId(row["batch_id"]): estimate_from_columns(row) for row in rows}

    def believed(self) -> Mapping[BatchId, datetime | None]:
        """Of which batches anything is believed, that is, which have an estimate, and when each ended."""
        has_any = exists(select(EstimateRow.time).where(EstimateRow.batch_id == BatchRow.batch_id))
        with self._database.reading() as connection:
            rows = connection.execute(select(BatchRow.batch_id, BatchRow.ended).where(has_any)).all()
        return {BatchId(row.batch_id): row.ended for row in rows}

    def alerts(self, batch_id: BatchId, *, limit: int | None = None) -> tuple[AlertRecord, ...]:
        """Alerts of a batch, raised and ended, in order of time.

        Parameters
        ----------
        limit : at most so many, the newest ones
        """
        query = select(AlertRow).where(AlertRow.batch_id == batch_id)
        query = query.order_by(AlertRow.time.desc(), AlertRow.id.desc()).limit(limit)
        with self._database.reading() as connection:
            rows = connection.execute(query).mappings().all()
        return tuple(_alert_record(row) for row in reversed(rows))

    def open_alerts(self, batch_id: BatchId) -> tuple[AlertRecord, ...]:
        """Alerts of a batch that were raised and have not ended, the last one of each kind and cause."""
        return self.open_alerts_of([batch_id]).get(batch_id, ())

    def open_alerts_of(self, batch_ids: Collection[BatchId]) -> Mapping[BatchId, tuple[AlertRecord, ...]]:
        """What `open_alerts` says of each of these batches that has any, in one query."""
        about = case((AlertRow.resolves == NOT_RESOLVING, AlertRow.kind), else_=AlertRow.resolves)
        backwards = func.row_number().over(
            partition_by=(AlertRow.batch_id, about, AlertRow.cause), order_by=(AlertRow.time.desc(), AlertRow.id.desc())
        )
        last = select(AlertRow, backwards.label("backwards")).where(AlertRow.batch_id.in_(batch_ids)).subquery()
        query = select(last).where(last.c.backwards == 1, last.c.resolves == NOT_RESOLVING)
        with self._database.reading() as connection:
            rows = connection.execute(query.order_by(last.c.time, last.c.id)).mappings().all()
        found: dict[BatchId, list[AlertRecord]] = {}
        for row in rows:
            found.setdefault(BatchId(row["batch_id"]), []).append(_alert_record(row))
        return {batch_id: tuple(records) for batch_id, records in found.items()}

    def acknowledge_alert(self, alert_id: int, *, who: str, time: datetime) -> None:
        """Note that a person has seen an alert. That ends a snooze: the last word counts.

        Raises
        ------
        NotFound
            No alert has that id.
        """
        with self._database.writing() as connection:
            _rest(connection, alert_id, until=None, acknowledged_at=time, acknowledged_by=who)

    def snooze_alert(self, alert_id: int, *, until: datetime | None) -> None:
        """Let an alert rest until a time; None: until now. Then every channel that has heard of it hears it again.

        Whether it still must is decided then: not if it is over, nor if somebody acknowledges it meanwhile.

        Raises
        ------
        NotFound
            No alert has that id.
        """
        with self._database.writing() as connection:
            _rest(connection, alert_id, until=until)
            if until is not None:
                tell_again(connection, alert_id, at=until)


def _rest(connection: Connection, alert_id: int, *, until: datetime | None, **change: Any) -> None:
    """Replace the snooze of an alert, and move what waits for its end."""
    row = connection.execute(select(AlertRow.time, AlertRow.snoozed_until).where(AlertRow.id == alert_id)).one_or_none()
    if row is None:
        raise NotFound("alert", str(alert_id), "list them with: gylewatch alert list")
    connection.execute(update(AlertRow).where(AlertRow.id == alert_id).values(snoozed_until=until, **change))
    if row.snoozed_until is not None:
        # Due since it was raised, that is at once.
        put_off(connection, alert_id, waits_until=row.snoozed_until, until=until or row.time)


def _save_alert(connection: Connection, batch_id: BatchId, alert: Alert, channels: Sequence[str]) -> AlertRecord | None:
    statement = insert_new(connection, AlertRow, ["batch_id", "kind", "cause", "time", "resolves"])
    row = {"batch_id": batch_id, **alert_to_columns(alert)}
    alert_id = connection.execute(statement.values(row).returning(AlertRow.id)).scalar_one_or_none()
    if alert_id is None:
        return None
    if channels:
        connection.execute(insert(OutboxRow), waiting_rows(channels, alert_id=alert_id))
    return AlertRecord(id=alert_id, batch_id=batch_id, alert=alert)


def _footing(connection: Connection, batch_id: BatchId) -> Footing:
    withdrawn = select(func.count()).where(SampleRow.batch_id == batch_id, SampleRow.withdrawn.is_not(None))
    query = select(BatchRow.reopened, BatchRow.curve_version, withdrawn.scalar_subquery().label("withdrawn"))
    row = connection.execute(query.where(BatchRow.batch_id == batch_id)).one_or_none()
    if row is None:
        return Footing()
    return Footing(reopened=row.reopened, withdrawn=row.withdrawn, curve=row.curve_version)


def _save_state(
    connection: Connection, batch_id: BatchId, state: bytes | None, cursors: Mapping[str, int | None]
) -> None:
    change = {name: value for name, value in {"state": state, **cursors}.items() if value is not None}
    if not change:
        return
    if state is not None:
        first = {"batch_id": batch_id, **dict.fromkeys(cursors, 0), **change}
        upsert(connection, BatchStateRow, first, keys=["batch_id"], change=change)
        return
    moved = connection.execute(update(BatchStateRow).where(BatchStateRow.batch_id == batch_id).values(**change))
    if moved.rowcount == 0:
        raise ValueError("a cursor needs a state beside it the first time")


def _alert_record(row: Any) -> AlertRecord:
    return AlertRecord(
        id=row["id"],
        batch_id=BatchId(row["batch_id"]),
        alert=alert_from_columns(row),
        acknowledged_at=row["acknowledged_at"],
        acknowledged_by=row["acknowledged_by"],
        snoozed_until=row["snoozed_until"],
    )


def not_emptied() -> ColumnElement[bool]:
    """A state from which can be gone on. Its length is asked for, which is known without reading it."""
    return func.length(BatchStateRow.state) > len(EMPTIED)


def forget(connection: Connection, batch_id: BatchId) -> None:
    """Drop estimates and state of a batch within a transaction."""
    connection.execute(delete(EstimateRow).where(EstimateRow.batch_id == batch_id))
    connection.execute(delete(BatchStateRow).where(BatchStateRow.batch_id == batch_id))
