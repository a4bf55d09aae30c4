"""One cause, one message: outages of what brings the readings in."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from gylewatch.outages import Receiver, outage_notices

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
AWAY = Receiver(
    cause="broker:cellar",
    name="the broker cellar at 127.0.0.1:1883",
    works=False,
    since=NOON,
    problem="the broker at 127.0.0.1:1883 cannot be reached: start it",
)
BACK = replace(AWAY, works=True, since=NOON + timedelta(hours=3), problem=None)


def after(minutes: float) -> datetime:
    return NOON + timedelta(minutes=minutes)


def test_a_restart_of_the_broker_is_not_told() -> None:
    assert outage_notices([AWAY], [], after(14)) == ()


def test_an_outage_that_lasts_is_told_once_with_its_remedy() -> None:
    (notice,) = outage_notices([AWAY], [], after(15))

    assert (notice.time, notice.cause, notice.ends) == (NOON, "broker:cellar", False)
    assert "cannot be reached: start it" in notice.text
    assert outage_notices([AWAY], [notice], after(600)) == ()


def test_its_end_is_told_when_it_has_worked_for_a_while() -> None:
    (notice,) = outage_notices([AWAY], [], after(15))

    assert outage_notices([BACK], [notice], after(181)) == ()
    (end,) = outage_notices([BACK], [notice], after(182))
    assert (end.cause, end.ends, end.time) == ("broker:cellar", True, after(182))


def test_an_outage_that_was_told_before_a_restart_of_the_service_is_not_told_again() -> None:
    (notice,) = outage_notices([AWAY], [], after(15))
    since_the_restart = replace(AWAY, since=after(60))

    assert outage_notices([since_the_restart], [notice], after(120)) == ()


def test_a_broker_that_left_the_configuration_is_no_outage_any_more() -> None:
    (notice,) = outage_notices([AWAY], [], after(15))

    (end,) = outage_notices([], [notice], after(20))

    assert end.ends
    assert "no longer in the configuration" in end.text
