"""When a channel tells what: quiet hours, second line, reminders, snooze and daily summary, with a simulated clock."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from alerts.alert import Alert, Kind, Severity
from alerts.delivery.policy import (
    EVERYTHING,
    PROGRAMS,
    Action,
    ChannelPolicy,
    decide,
    digest_slot,
    next_reminder,
    quiet_end,
)
from alerts.engine import closed
from alerts.notice import Beginning, Notice, ServiceNotice, Standing, digest_cause
from gylewatch.values import BatchId

VIENNA = ZoneInfo("Europe/Vienna")  # UTC+1, from 29 March 2026 01:00 UTC on UTC+2 (IANA time zone database)
NIGHT = ChannelPolicy(zone=VIENNA, quiet=(time(22), time(7)))
NEW = Standing()


def utc(day: int, hour: int, minute: int = 0, month: int = 3) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=UTC)


def notice(time: datetime, severity: Severity = Severity.WARNING, *, ends: bool = False, told: int = 0) -> Notice:
    alert = Alert(
        time=time,
        kind=Kind.TEMPERATURE_OUT_OF_RANGE,
        severity=severity,
        summary="The beer is at 24 C.",
        evidence={},
        resolves=Kind.TEMPERATURE_OUT_OF_RANGE if ends else None,
    )
    return Notice(batch_id=BatchId("pale"), batch_name="Pale", alert=alert, told=told)


@pytest.mark.parametrize(
    ("now", "end"),
    [
        (utc(2, 20, 59), None),  # 21:59 in Vienna
        (utc(2, 21), utc(3, 6)),  # 22:00, to 07:00 of the next day
        (utc(3, 5, 59), utc(3, 6)),
        (utc(3, 6), None),
        (utc(28, 22), utc(29, 5)),  # the night in which the clocks go forward: 07:00 is 05:00 UTC
    ],
)
def test_quiet_hours_end_in_the_local_morning(now: datetime, end: datetime | None) -> None:
    assert quiet_end(NIGHT, now) == end


def test_quiet_hours_within_one_day_end_that_day() -> None:
    noon = ChannelPolicy(quiet=(time(12), time(14)))

    assert quiet_end(noon, utc(2, 13)) == utc(2, 14)
    assert quiet_end(noon, utc(2, 14)) is None


def test_a_warning_at_night_is_held_until_morning_and_a_critical_alert_passes() -> None:
    now = utc(2, 23)

    held = decide(NIGHT, notice(now), NEW, None, now)
    critical = decide(NIGHT, notice(now, Severity.CRITICAL), NEW, None, now)

    assert (held.action, held.until) == (Action.HOLD, utc(3, 6))
    assert critical.action is Action.SEND


def test_what_began_and_ended_during_quiet_hours_is_not_told_in_the_morning() -> None:
    standing = Standing(over=True, held=True)

    beginning = decide(NIGHT, notice(utc(2, 23)), standing, None, utc(3, 6))
    end = decide(NIGHT, notice(utc(3, 2), ends=True), NEW, Beginning.LEFT_OUT, utc(3, 6))

    assert (beginning.action, end.action) == (Action.LEAVE_OUT, Action.LEAVE_OUT)


def test_what_ended_while_the_channel_failed_is_told_all_the_same() -> None:
    assert decide(EVERYTHING, notice(utc(2, 9)), Standing(over=True), None, utc(2, 10)).action is Action.SEND


def test_an_end_at_night_waits_for_the_morning() -> None:
    decision = decide(NIGHT, notice(utc(2, 23), ends=True), NEW, Beginning.TOLD, utc(2, 23))

    assert (decision.action, decision.until) == (Action.HOLD, utc(3, 6))


def test_an_end_waits_for_its_beginning() -> None:
    assert decide(EVERYTHING, notice(utc(2, 9), ends=True), NEW, Beginning.WAITING, utc(2, 9)).action is Action.WAIT


def test_a_channel_for_warnings_leaves_information_out() -> None:
    policy = ChannelPolicy(least=Severity.WARNING)

    assert decide(policy, notice(utc(2, 9), Severity.INFO), NEW, None, utc(2, 9)).action is Action.LEAVE_OUT
    assert decide(policy, notice(utc(2, 9)), NEW, None, utc(2, 9)).action is Action.SEND


def test_a_second_line_hears_only_what_nobody_acknowledged_in_time() -> None:
    policy = ChannelPolicy(after=timedelta(hours=6))
    told = notice(utc(2, 9))

    early = decide(policy, told, NEW, None, utc(2, 9))
    assert (early.action, early.until) == (Action.HOLD, utc(2, 15))
    assert decide(policy, told, Standing(held=True), None, utc(2, 15)).action is Action.SEND
    for standing in (Standing(acknowledged=True, held=True), Standing(over=True, held=True)):
        assert decide(policy, told, standing, None, utc(2, 15)).action is Action.LEAVE_OUT


def test_the_first_line_hears_of_an_alert_even_if_somebody_acknowledged_it_on_the_page() -> None:
    assert decide(EVERYTHING, notice(utc(2, 9)), Standing(acknowledged=True), None, utc(2, 9)).action is Action.SEND


def test_a_snoozed_alert_is_held_until_the_snooze_ends() -> None:
    decision = decide(EVERYTHING, notice(utc(2, 9)), Standing(snoozed_until=utc(2, 12)), None, utc(2, 10))

    assert (decision.action, decision.until) == (Action.HOLD, utc(2, 12))


@pytest.mark.parametrize("standing", [Standing(acknowledged=True), Standing(over=True)])
def test_nobody_is_reminded_of_what_is_acknowledged_or_over(standing: Standing) -> None:
    policy = ChannelPolicy(remind=timedelta(hours=12))

    assert decide(policy, notice(utc(2, 9), told=1), standing, None, utc(2, 21)).action is Action.LEAVE_OUT


def test_an_open_alert_is_told_again_three_times_and_then_no_more() -> None:
    policy = ChannelPolicy(remind=timedelta(hours=12))
    now = utc(2, 9)

    reminders = [next_reminder(policy, notice(now, told=told), now) for told in range(5)]

    assert reminders == [utc(2, 21)] * 3 + [None] * 2
    assert next_reminder(policy, notice(now, Severity.INFO), now) is None
    assert next_reminder(policy, notice(now, ends=True), now) is None


def test_the_daily_summary_is_due_at_its_local_time_and_not_in_the_evening() -> None:
    policy = ChannelPolicy(zone=VIENNA, digest=time(8))

    assert digest_slot(policy, utc(2, 6, 59)) is None
    assert digest_slot(policy, utc(2, 7)) == utc(2, 7)
    assert digest_slot(policy, utc(2, 12, 59)) == utc(2, 7)
    assert digest_slot(policy, utc(2, 13)) is None
    assert digest_slot(policy, utc(30, 6)) == utc(30, 6)
    assert digest_slot(EVERYTHING, utc(2, 7)) is None


def test_a_late_summary_is_found_after_midnight() -> None:
    policy = ChannelPolicy(digest=time(23))

    assert digest_slot(policy, utc(3, 1)) == utc(2, 23)


def test_the_daily_summary_passes_quiet_hours_and_the_least_severity() -> None:
    policy = replace(NIGHT, least=Severity.CRITICAL)
    summary = ServiceNotice(
        time=utc(2, 23), cause=digest_cause("phone"), severity=Severity.INFO, title="Today", text="..."
    )

    assert decide(policy, summary, NEW, None, utc(2, 23)).action is Action.SEND


def test_quiet_hours_that_never_end_are_refused() -> None:
    with pytest.raises(ValueError, match="quiet must have a begin and another end"):
        ChannelPolicy(quiet=(time(7), time(7)))


def test_an_alert_stamped_by_a_float_whose_clock_is_ahead_is_told_at_once() -> None:
    assert decide(EVERYTHING, notice(utc(2, 12, 4)), NEW, None, utc(2, 12)).action is Action.SEND


@pytest.mark.parametrize(("policy", "action"), [(EVERYTHING, Action.LEAVE_OUT), (PROGRAMS, Action.SEND)])
def test_programs_hear_that_a_batch_has_ended_and_who_ended_it_knows(policy: ChannelPolicy, action: Action) -> None:
    beginning = notice(utc(2, 12))
    end = replace(beginning, alert=closed(beginning.alert, utc(3, 12)))

    assert decide(policy, end, NEW, Beginning.TOLD, utc(3, 13)).action is action
