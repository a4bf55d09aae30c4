"""Alerts on their way out: kept until each channel has taken them, or has been given up."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import func, or_, select, update

from gylewatch.errors import NotFound
from gylewatch.values import BatchId
from storage.part import Part
from storage.records import OutboxRecord
from storage.schema import AlertRow, BatchRow, OutboxRow
from storage.stored import alert_from_columns

_WAITING = (OutboxRow.delivered.is_(None), OutboxRow.given_up.is_(False))
_COLUMNS = (
    OutboxRow.id.label("outbox_id"),
    OutboxRow.channel,
    OutboxRow.attempts,
    OutboxRow.reason,
    BatchRow.document,
    AlertRow,
)


class Outbox(Part):
    """Deliveries: at least once, each remembered."""

    def outbox_due(self, now: datetime, limit: int) -> tuple[OutboxRecord, ...]:
        """At most `limit` deliveries that are to be tried by `now`, the oldest first."""
        due = or_(OutboxRow.due.is_(None), OutboxRow.due <= now)
        return self._outbox(*_WAITING, due, limit=limit)

    def outbox_failing(self, limit: int = 100) -> tuple[OutboxRecord, ...]:
        """Deliveries that failed and wait for their next attempt, or were given up; with the reason."""
        return self._outbox(OutboxRow.delivered.is_(None), OutboxRow.attempts > 0, limit=limit)

    def outbox_delivered(self, outbox_id: int, now: datetime) -> None:
        """Note that a channel has taken an alert.

        Raises
        ------
        NotFound
            No delivery has that id.
        """
        self._change(outbox_id, delivered=now, reason="")

    def outbox_failed(self, outbox_id: int, *, retry_at: datetime | None, reason: str) -> None:
        """Note a failed attempt.

        Parameters
        ----------
        retry_at : when to try again; None: never, it is given up and kept

        Raises
        ------
        NotFound
            No delivery has that id.
        """
        self._change(outbox_id, attempts=OutboxRow.attempts + 1, due=retry_at, given_up=retry_at is None, reason=reason)

    def outbox_counts(self) -> Mapping[str, int]:
        """How many deliveries there are: ``waiting`` (of these ``failing``), ``delivered``, ``given_up``."""
        counts = {
            "waiting": _WAITING,
            "failing": (*_WAITING, OutboxRow.attempts > 0),
            "delivered": (OutboxRow.delivered.is_not(None),),
            "given_up": (OutboxRow.given_up.is_(True),),
        }
        with self._database.reading() as connection:
            return {
                name: connection.scalar(select(func.count()).select_from(OutboxRow).where(*conditions)) or 0
                for name, conditions in counts.items()
            }

    def _outbox(self, *conditions: Any, limit: int) -> tuple[OutboxRecord, ...]:
        query = (
            select(*_COLUMNS)
            .join_from(OutboxRow, AlertRow, OutboxRow.alert_id == AlertRow.id)
            .join(BatchRow, AlertRow.batch_id == BatchRow.batch_id)
            .where(*conditions)
            .order_by(OutboxRow.id)
            .limit(limit)
        )
        with self._database.reading() as connection:
            return tuple(_outbox_record(row) for row in connection.execute(query).mappings().all())

    def _change(self, outbox_id: int, **change: Any) -> None:
        with self._database.writing() as connection:
            if connection.execute(update(OutboxRow).where(OutboxRow.id == outbox_id).values(**change)).rowcount == 0:
                raise NotFound("delivery", str(outbox_id))


def _outbox_record(row: Any) -> OutboxRecord:
    return OutboxRecord(
        id=row["outbox_id"],
        channel=row["channel"],
        attempts=row["attempts"],
        batch_id=BatchId(row["batch_id"]),
        batch_name=row["document"]["name"],
        alert=alert_from_columns(row),
        reason=row["reason"],
    )
