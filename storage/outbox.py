"""Messages on their way out: kept until each channel has taken them, or has been given up."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, Select, and_, case, exists, false, func, not_, or_, select, update
from sqlalchemy.orm import aliased

from alerts.alert import Severity
from alerts.engine import REPLACED
from alerts.notice import Beginning, Message, Notice, ServiceNotice, Standing
from gylewatch.errors import NotFound
from gylewatch.values import BatchId
from storage.part import Part
from storage.records import OutboxRecord
from storage.schema import NOT_RESOLVING, AlertRow, BatchRow, NoticeRow, OutboxRow
from storage.stored import alert_from_columns

RETRY_WITHIN: Final = timedelta(hours=25)
# Retries are at most an hour apart; quiet hours may hold one for a day, an hour longer when the clocks are set.
HELD_WITHIN: Final = timedelta(hours=169)
# A second line and reminders wait for at most a week. A snooze may be longer, and is looked up.

_MOST_STAGES: Final = 2 * len(Severity)
# An alert is raised at most once for each severity, with an end between each two.

_WAITING = (OutboxRow.delivered.is_(None), OutboxRow.given_up.is_(False))


def waiting_rows(
    channels: Sequence[str], *, alert_id: int | None = None, notice_id: int | None = None
) -> list[dict[str, Any]]:
    """New rows of the outbox, one for each channel."""
    row = {"alert_id": alert_id, "notice_id": notice_id, "attempts": 0, "told": 0, "due": None, "delivered": None}
    return [{"channel": channel, **row, "given_up": False, "reason": ""} for channel in dict.fromkeys(channels)]


def tell_again(connection: Connection, alert_id: int, *, at: datetime) -> None:
    """Let every channel that has heard of an alert hear of it again at a time, within a transaction."""
    told = (OutboxRow.alert_id == alert_id, OutboxRow.told > 0)
    change = {"delivered": None, "given_up": False, "attempts": 0, "due": at, "reason": "it is snoozed"}
    connection.execute(update(OutboxRow).where(*told).values(change))


def put_off(connection: Connection, alert_id: int, *, waits_until: datetime, until: datetime) -> None:
    """Let what waits for the end of a snooze wait until another time, within a transaction."""
    waits = (OutboxRow.alert_id == alert_id, OutboxRow.due == waits_until, *_WAITING)
    connection.execute(update(OutboxRow).where(*waits).values(due=until))


def last_beginning(batch_id: str, kind: str, cause: str) -> Select[Any]:
    """The alert of a subject that was raised last."""
    return select(func.max(AlertRow.id)).where(
        AlertRow.batch_id == batch_id,
        AlertRow.kind == kind,
        AlertRow.cause == cause,
        AlertRow.resolves == NOT_RESOLVING,
    )


def begin_again(connection: Connection, begun: Select[Any], *channels: ColumnElement[bool], at: datetime) -> None:
    """Let some channels be told anew of an alert whose end was taken back, within a transaction."""
    # Held until then: if it is over by the time the batch is read, it is not told at all.
    again = {"delivered": None, "given_up": False, "attempts": 0, "told": 0, "due": at, "reason": ""}
    rows = update(OutboxRow).where(OutboxRow.alert_id == begun.scalar_subquery(), *channels)
    connection.execute(rows.values(**again))


class Outbox(Part):
    """Deliveries: at least once, each remembered."""

    def outbox_due(self, now: datetime, limit: int, *, after: int = 0) -> tuple[OutboxRecord, ...]:
        """At most `limit` deliveries behind the one with id `after` that are to be tried by `now`, the oldest first.

        A time to try again that lies farther ahead than any pause was written while the machine's clock was ahead; it
        holds nothing back.
        """
        too_far = or_(
            and_(OutboxRow.attempts > 0, OutboxRow.due > now + RETRY_WITHIN), OutboxRow.due > now + HELD_WITHIN
        )
        snoozed = and_(AlertRow.snoozed_until.is_not(None), AlertRow.snoozed_until >= OutboxRow.due)
        due = or_(OutboxRow.due.is_(None), OutboxRow.due <= now, and_(too_far, not_(snoozed)))
        return self._outbox(*_WAITING, OutboxRow.id > after, due, order=OutboxRow.id, limit=limit)

    def outbox_failing(self, limit: int = 100) -> tuple[OutboxRecord, ...]:
        """Deliveries that failed and are tried again, or were given up, each with its reason; the newest first."""
        failed = (OutboxRow.delivered.is_(None), OutboxRow.told == 0, OutboxRow.attempts > 0)
        return self._outbox(*failed, order=OutboxRow.id.desc(), limit=limit)

    def outbox_beginning(self, outbox_id: int) -> Beginning | None:
        """What the same channel did with the beginning of which this delivery tells the end; None: it never had it.

        An alert that became graver began more than once: who heard of it at any severity is to hear its end.
        """
        with self._database.reading() as connection:
            stages = connection.execute(_stages_of_alert(outbox_id)).mappings().all()
            notice = connection.execute(_beginning_of_notice(outbox_id)).mappings().first()
        if notice is not None:
            return _beginning(notice)
        heard = [_beginning(row) for row in _since_last_end(stages) if row["outbox_id"] is not None]
        for decisive in (Beginning.TOLD, Beginning.WAITING):
            if decisive in heard:
                return decisive
        return heard[0] if heard else None

    def outbox_delivered(self, outbox_id: int, now: datetime, *, again: datetime | None = None) -> None:
        """Note that a channel has taken a message. If it was snoozed meanwhile, it is told again when the snooze ends.

        Parameters
        ----------
        again : when to remind of it; None: never

        Raises
        ------
        NotFound
            No delivery has that id.
        """
        with self._database.writing() as connection:
            snoozed = select(AlertRow.snoozed_until).join(OutboxRow, OutboxRow.alert_id == AlertRow.id)
            until = connection.scalar(snoozed.where(OutboxRow.id == outbox_id))
            if until is not None and until > now:
                again = until
            change = {"delivered": now} if again is None else {"due": again, "attempts": 0}
            _change(connection, outbox_id, told=OutboxRow.told + 1, reason="", **change)

    def outbox_begin_again(self, ended: Notice, channel: str, now: datetime) -> None:
        """Let a channel hear anew of what it was told the end of, because that end was taken back meanwhile."""
        begun = last_beginning(ended.batch_id, ended.alert.kind, ended.alert.cause)
        with self._database.writing() as connection:
            begin_again(connection, begun, OutboxRow.channel == channel, at=now)

    def outbox_left_out(self, outbox_id: int, now: datetime, *, reason: str) -> None:
        """Note that a message is not told (again) over its channel, and why.

        Raises
        ------
        NotFound
            No delivery has that id.
        """
        self._change(outbox_id, delivered=now, reason=reason)

    def outbox_held(self, outbox_id: int, *, until: datetime, reason: str) -> None:
        """Hold a message back until a time. That is no attempt.

        Raises
        ------
        NotFound
            No delivery has that id.
        """
        self._change(outbox_id, due=until, reason=reason)

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
        """How many deliveries there are: ``waiting`` (of these ``failing``), ``delivered``, ``given_up``.

        What was told and waits only to be told again counts as delivered.
        """
        new = (*_WAITING, OutboxRow.told == 0)
        counts = {
            "waiting": new,
            "failing": (*new, OutboxRow.attempts > 0),
            "delivered": (or_(OutboxRow.delivered.is_not(None), OutboxRow.told > 0),),
            "given_up": (OutboxRow.given_up.is_(True), OutboxRow.told == 0),
        }
        with self._database.reading() as connection:
            return {
                name: connection.scalar(select(func.count()).select_from(OutboxRow).where(*conditions)) or 0
                for name, conditions in counts.items()
            }

    def _outbox(self, *conditions: Any, order: Any, limit: int) -> tuple[OutboxRecord, ...]:
        query = _messages().where(*conditions).order_by(order).limit(limit)
        with self._database.reading() as connection:
            return tuple(_outbox_record(row) for row in connection.execute(query).mappings().all())

    def _change(self, outbox_id: int, **change: Any) -> None:
        with self._database.writing() as connection:
            _change(connection, outbox_id, **change)


def _change(connection: Connection, outbox_id: int, **change: Any) -> None:
    if connection.execute(update(OutboxRow).where(OutboxRow.id == outbox_id).values(**change)).rowcount == 0:
        raise NotFound("delivery", str(outbox_id))


def _messages() -> Any:
    later, ending = aliased(AlertRow), aliased(NoticeRow)
    ended_with = (
        select(later.evidence)
        .where(
            later.batch_id == AlertRow.batch_id,
            later.resolves == AlertRow.kind,
            later.cause == AlertRow.cause,
            later.id > AlertRow.id,
        )
        .order_by(later.id)
        .limit(1)
        .scalar_subquery()
    )
    notice_over = exists().where(ending.cause == NoticeRow.cause, ending.ends.is_(True), ending.id > NoticeRow.id)
    return (
        select(
            OutboxRow.id.label("outbox_id"),
            OutboxRow.channel,
            OutboxRow.attempts,
            OutboxRow.told,
            OutboxRow.due,
            OutboxRow.reason,
            OutboxRow.alert_id,
            case((OutboxRow.alert_id.is_not(None), ended_with)).label("ended_with"),
            case((NoticeRow.id.is_not(None), notice_over), else_=false()).label("notice_over"),
            BatchRow.document,
            BatchRow.ended.label("batch_ended"),
            AlertRow,
            *(column.label(f"notice_{column.key}") for column in NoticeRow.__table__.columns),
        )
        .outerjoin_from(OutboxRow, AlertRow, OutboxRow.alert_id == AlertRow.id)
        .outerjoin(BatchRow, AlertRow.batch_id == BatchRow.batch_id)
        .outerjoin(NoticeRow, OutboxRow.notice_id == NoticeRow.id)
    )


def _stages_of_alert(outbox_id: int) -> Any:
    """What was raised and ended of the same subject before the end that this delivery tells, the newest first."""
    told, end, stage = aliased(OutboxRow), aliased(AlertRow), aliased(AlertRow)
    begins_or_ends = or_(
        and_(stage.resolves == NOT_RESOLVING, stage.kind == end.resolves), stage.resolves == end.resolves
    )
    return (
        select(
            stage.resolves,
            stage.evidence,
            OutboxRow.id.label("outbox_id"),
            OutboxRow.told,
            OutboxRow.delivered,
            OutboxRow.given_up,
        )
        .join_from(told, end, told.alert_id == end.id)
        .join(
            stage,
            and_(stage.batch_id == end.batch_id, stage.cause == end.cause, stage.id < end.id, begins_or_ends),
        )
        .outerjoin(OutboxRow, and_(OutboxRow.alert_id == stage.id, OutboxRow.channel == told.channel))
        .where(told.id == outbox_id)
        .order_by(stage.id.desc())
        .limit(_MOST_STAGES)
    )


def _since_last_end(stages: Sequence[Any]) -> Iterator[Any]:
    for row in stages:
        if row["resolves"] == NOT_RESOLVING:
            yield row
        elif not row["evidence"].get(REPLACED):
            return


def _beginning_of_notice(outbox_id: int) -> Any:
    told, end, begin = aliased(OutboxRow), aliased(NoticeRow), aliased(NoticeRow)
    return (
        select(OutboxRow.told, OutboxRow.delivered, OutboxRow.given_up)
        .join_from(told, end, told.notice_id == end.id)
        .join(begin, and_(begin.cause == end.cause, begin.ends.is_(False), begin.id < end.id))
        .join(OutboxRow, and_(OutboxRow.notice_id == begin.id, OutboxRow.channel == told.channel))
        .where(told.id == outbox_id)
        .order_by(begin.id.desc())
        .limit(1)
    )


def _beginning(row: Any) -> Beginning:
    if row["told"]:
        return Beginning.TOLD
    if row["given_up"]:
        return Beginning.GIVEN_UP
    return Beginning.WAITING if row["delivered"] is None else Beginning.LEFT_OUT


def _outbox_record(row: Any) -> OutboxRecord:
    return OutboxRecord(
        id=row["outbox_id"],
        channel=row["channel"],
        attempts=row["attempts"],
        message=replace(_message(row), told=row["told"]),
        standing=Standing(
            # A beer that has been packaged needs no reminding, though nothing ended its alerts.
            over=row["ended_with"] is not None or row["batch_ended"] is not None or bool(row["notice_over"]),
            replaced=bool((row["ended_with"] or {}).get(REPLACED)),
            acknowledged=row["acknowledged_at"] is not None,
            snoozed_until=row["snoozed_until"],
            held=row["due"] is not None and row["attempts"] == 0 and row["told"] == 0,
        ),
        reason=row["reason"],
    )


def _message(row: Any) -> Message:
    if row["alert_id"] is not None:
        return Notice(
            batch_id=BatchId(row["batch_id"]), batch_name=row["document"]["name"], alert=alert_from_columns(row)
        )
    return notice_from_columns(row, "notice_")


def notice_from_columns(row: Any, prefix: str = "") -> ServiceNotice:
    """The notice in a row, under the names of its columns behind `prefix`."""
    return ServiceNotice(
        time=row[prefix + "time"],
        cause=row[prefix + "cause"],
        severity=Severity(row[prefix + "severity"]),
        title=row[prefix + "title"],
        text=row[prefix + "text"],
        ends=row[prefix + "ends"],
    )
