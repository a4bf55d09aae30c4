"""Notices about the service itself: raised once, ended once, told through the outbox like alerts."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import insert, select
from sqlalchemy.orm import aliased

from alerts.notice import DIGEST, ServiceNotice
from storage.database import insert_new
from storage.outbox import notice_from_columns, waiting_rows
from storage.part import Part
from storage.schema import NoticeRow, OutboxRow


class Notices(Part):
    """Outages and daily summaries."""

    def add_notice(self, notice: ServiceNotice, *, channels: Sequence[str]) -> bool:
        """Keep a notice and put it into the outbox once per channel; False if it is there already."""
        row = {
            "time": notice.time,
            "cause": notice.cause,
            "ends": notice.ends,
            "severity": notice.severity.value,
            "title": notice.title,
            "text": notice.text,
        }
        with self._database.writing() as connection:
            statement = insert_new(connection, NoticeRow, ["cause", "time", "ends"])
            notice_id = connection.execute(statement.values(row).returning(NoticeRow.id)).scalar_one_or_none()
            if notice_id is None:
                return False
            if channels:
                connection.execute(insert(OutboxRow), waiting_rows(channels, notice_id=notice_id))
        return True

    def open_notices(self) -> tuple[ServiceNotice, ...]:
        """Notices that were raised and have not ended, in order of time; daily summaries are none."""
        later = aliased(NoticeRow)
        ended = select(later.id).where(later.cause == NoticeRow.cause, later.ends.is_(True), later.id > NoticeRow.id)
        lasting = ~NoticeRow.cause.startswith(DIGEST)
        query = select(NoticeRow).where(NoticeRow.ends.is_(False), lasting, ~ended.exists()).order_by(NoticeRow.id)
        with self._database.reading() as connection:
            return tuple(notice_from_columns(row) for row in connection.execute(query).mappings().all())
