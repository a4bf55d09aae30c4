"""Notifications that do not arrive are told by channel, with the reason."""

from __future__ import annotations

from datetime import timedelta

from alerts.delivery.outbox import GIVEN_UP
from alerts.notice import Notice
from gylewatch.undelivered import SHOWN, undelivered
from gylewatch.values import BatchId
from storage.records import OutboxRecord
from tests.storage.examples import alert, at


def failed(channel: str, reason: str) -> OutboxRecord:
    message = Notice(batch_id=BatchId("harbour-pale"), batch_name="Harbour Pale", alert=alert(0))
    return OutboxRecord(id=1, channel=channel, attempts=1, message=message, reason=reason)


def test_of_each_channel_the_newest_reason_is_told() -> None:
    failing = [failed("mail", "refused"), failed("mail", "timed out"), failed("phone", "no such topic")]

    assert undelivered(failing, at(5)) == [
        "over mail notifications fail and are tried again: refused",
        "over phone notifications fail and are tried again: no such topic",
    ]


def test_what_was_given_up_is_told_for_a_week() -> None:
    failing = [failed("mail", "refused"), failed("mail", f"{GIVEN_UP}no such address")]

    assert "over mail a notification was given up: no such address" in undelivered(failing, at(0) + SHOWN)
    assert undelivered(failing, at(0) + SHOWN + timedelta(seconds=1)) == [
        "over mail notifications fail and are tried again: refused"
    ]
