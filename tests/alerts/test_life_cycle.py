"""An alert from its beginning over what people do about it to its end, as one channel hears it.

The store is opened anew for every pass, as after a kill: nothing but the database remembers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, time, timedelta
from pathlib import Path

import pytest

from alerts.alert import Alert, Kind, Severity
from alerts.delivery.channel import Message, Notice, title
from alerts.delivery.outbox import RetryPolicy, deliver_due
from alerts.delivery.policy import EVERYTHING, PROGRAMS, ChannelPolicy
from alerts.engine import REPLACED
from gylewatch.errors import DeliveryError
from gylewatch.values import BatchId
from storage.store import Store
from tests.alerts.scenario import constant, logistic_gravity, raised, ramp, scenario, until
from tests.storage.examples import at, batch, float_record, vessel_record

BATCH_ID = BatchId("harbour-pale")
SUBJECT = Kind.TEMPERATURE_OUT_OF_RANGE
HOUR = 60
TRIES = 3


def stage(hour: float, severity: Severity = Severity.WARNING) -> Alert:
    return Alert(time=at(hour * HOUR), kind=SUBJECT, severity=severity, summary=f"{severity}", evidence={})


def end(hour: float, *, replaced: bool = False) -> Alert:
    return Alert(
        time=at(hour * HOUR),
        kind=SUBJECT,
        severity=Severity.INFO,
        summary="back",
        evidence={REPLACED: True} if replaced else {},
        resolves=SUBJECT,
    )


@dataclass
class Line:
    """A brewery's database, and one channel that works or not; what it took is told by title and severity."""

    url: str
    policy: ChannelPolicy = EVERYTHING
    works: bool = True
    heard: list[str] = field(default_factory=list)
    name: str = "phone"

    def deliver(self, message: Message) -> None:
        if not self.works:
            raise DeliveryError(self.name, retry=True, reason="the line is dead")
        assert isinstance(message, Notice)
        self.heard.append(f"{title(message).removeprefix('Harbour Pale: ')} ({message.severity})")

    def happens(self, *alerts: Alert) -> None:
        with Store.open(self.url) as store:
            store.save_outcomes(BATCH_ID, alerts=alerts, channels=[self.name])

    def passes(self, *hours: float) -> None:
        for hour in hours:
            with Store.open(self.url) as store:
                deliver_due(
                    store,
                    {self.name: self},
                    at(hour * HOUR),
                    policies={self.name: self.policy},
                    policy=RetryPolicy(attempts=TRIES),
                )

    def acknowledges(self, alert_id: int, hour: float) -> None:
        with Store.open(self.url) as store:
            store.acknowledge_alert(alert_id, who="Ada", time=at(hour * HOUR))

    def snoozes(self, alert_id: int, until_hour: float | None) -> None:
        with Store.open(self.url) as store:
            store.snooze_alert(alert_id, until=None if until_hour is None else at(until_hour * HOUR))

    def waiting(self, now: datetime) -> int:
        with Store.open(self.url) as store:
            return len(store.outbox_due(now, 100))


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    url = f"sqlite:///{tmp_path / 'gylewatch.db'}"
    with Store.open(url) as store:
        store.add_float(float_record("heron"))
        store.add_vessel(vessel_record("FV1"))
        store.add_batch(batch(), created=at(0))
    made = Line(url)
    yield made
    assert made.waiting(at(1000 * HOUR)) == 0, "something is left in the outbox for ever"


WARNED = "The temperature is out of range (warning)"
CRITICAL = "critical: The temperature is out of range (critical)"
OVER = "The temperature is no longer out of range (info)"
AGAIN = "still: The temperature is out of range (warning)"


def becomes_graver(line: Line, hour: float) -> None:
    line.happens(end(hour, replaced=True), stage(hour, Severity.CRITICAL))


def test_the_engine_ends_the_milder_alert_in_the_moment_it_raises_the_graver_one() -> None:
    """The stages that the tests below put into the outbox are those that the rules make."""
    brew = scenario(temperature_c=until(80, constant(19.2), until(90, constant(22.0), constant(27.0))), length_h=110.0)

    told = [alert for alert in brew.run() if alert.subject.kind is SUBJECT]

    assert [(alert.severity, alert.resolves) for alert in told] == [
        (Severity.WARNING, None),
        (Severity.INFO, SUBJECT),
        (Severity.CRITICAL, None),
    ]
    assert told[1].evidence[REPLACED]
    assert told[1].time == told[2].time
    assert len(raised(told)) == 2


@pytest.mark.parametrize("person", ["acknowledges", "snoozes"])
def test_what_a_person_did_about_the_milder_alert_does_not_hide_the_graver_one(line: Line, person: str) -> None:
    line.happens(stage(0))
    line.passes(0)
    line.acknowledges(1, 1) if person == "acknowledges" else line.snoozes(1, 50)

    becomes_graver(line, 2)
    line.passes(2, 51)
    line.happens(end(52))
    line.passes(52, 999)

    assert line.heard == [WARNED, CRITICAL, OVER]


def test_a_milder_alert_that_never_got_through_gives_way_to_the_graver_one(line: Line) -> None:
    line.works = False
    line.happens(stage(0))
    line.passes(0)
    becomes_graver(line, 1)
    line.works = True

    line.passes(1, 2)
    line.happens(end(3))
    line.passes(3, 999)

    assert line.heard == [CRITICAL, OVER]


def test_an_end_is_told_to_whom_only_the_milder_alert_got_through(line: Line) -> None:
    line.happens(stage(0))
    line.passes(0)
    line.works = False
    becomes_graver(line, 1)
    line.passes(*range(1, 2 + TRIES))
    line.works = True

    line.happens(end(9))
    line.passes(9, 10, 999)

    assert line.heard == [WARNED, OVER]


def test_an_end_is_told_to_whom_only_the_graver_alert_got_through(line: Line) -> None:
    line.works = False
    line.happens(stage(0))
    line.passes(*range(TRIES))
    line.works = True

    becomes_graver(line, 5)
    line.happens(end(9))
    line.passes(9, 10, 999)

    assert line.heard == [CRITICAL, OVER]


def test_no_end_is_told_where_no_stage_got_through(line: Line) -> None:
    line.works = False
    line.happens(stage(0))
    becomes_graver(line, 1)
    line.passes(*range(2, 3 + 2 * TRIES))
    line.works = True

    line.happens(end(20))
    line.passes(20, 999)

    assert line.heard == []


def test_an_end_waits_while_the_graver_stage_is_still_tried(line: Line) -> None:
    line.happens(stage(0))
    line.passes(0)
    line.works = False
    becomes_graver(line, 1)
    line.passes(1)
    line.happens(end(1.001))
    line.passes(1.002)
    line.works = True

    line.passes(5, 6, 999)

    assert line.heard == [WARNED, CRITICAL, OVER]


def test_an_end_of_a_graver_stage_that_quiet_hours_held_is_told_in_the_morning(line: Line) -> None:
    line.happens(stage(-1, Severity.INFO))  # at(0) is 18:30 UTC
    line.passes(0)
    line.policy = ChannelPolicy(quiet=(time(20), time(7)))

    line.happens(end(3, replaced=True), stage(3), end(5))
    line.passes(3, 5, 13, 999)

    assert line.heard == ["The temperature is out of range (info)", OVER]


def test_a_further_episode_is_told_by_itself(line: Line) -> None:
    line.happens(stage(0), end(1))
    line.passes(1)
    line.works = False
    line.happens(stage(2))
    line.passes(*range(2, 3 + TRIES))
    line.works = True

    line.happens(end(9))
    line.passes(9, 999)

    assert line.heard == [WARNED, OVER]


def test_a_channel_that_came_after_the_beginning_hears_no_end(line: Line) -> None:
    with Store.open(line.url) as store:
        store.save_outcomes(BATCH_ID, alerts=[stage(0)], channels=[])

    line.happens(end(1))
    line.passes(1, 999)

    assert line.heard == []


@pytest.mark.parametrize("remind", [None, timedelta(hours=48)])
def test_what_was_snoozed_is_told_again_when_the_snooze_ends(line: Line, remind: timedelta | None) -> None:
    line.policy = ChannelPolicy(remind=remind)
    line.happens(stage(0))
    line.passes(0)

    line.snoozes(1, 8)
    line.passes(1, 7.9)
    assert line.heard == [WARNED]
    line.passes(8, 9)

    assert line.heard == [WARNED, AGAIN]
    line.happens(end(10))
    line.passes(10, 999)
    assert line.heard == [WARNED, AGAIN, OVER]


def test_a_snooze_that_ends_at_night_is_told_in_the_morning(line: Line) -> None:
    line.happens(stage(0))
    line.passes(0)
    line.policy = ChannelPolicy(quiet=(time(20), time(7)))  # at(0) is 18:30 UTC

    line.snoozes(1, 8)
    line.passes(8, 12)
    assert line.heard == [WARNED]
    line.passes(12.5)

    assert line.heard == [WARNED, AGAIN]


def test_what_ends_while_it_is_snoozed_is_over_at_once_and_not_told_again(line: Line) -> None:
    line.happens(stage(0))
    line.passes(0)
    line.snoozes(1, 8)

    line.happens(end(2))
    line.passes(2)

    assert line.heard == [WARNED, OVER]
    line.passes(8, 999)
    assert line.heard == [WARNED, OVER]


def test_nobody_is_reminded_of_a_batch_that_has_been_ended(line: Line) -> None:
    line.policy = ChannelPolicy(remind=timedelta(hours=12))
    line.happens(stage(0), replace(stage(0), kind=Kind.FLOAT_STUCK))
    line.passes(0)
    line.snoozes(2, 20)

    with Store.open(line.url) as store:
        store.end_batch(BATCH_ID, at(6 * HOUR))
    line.passes(12, 20, 999)

    assert line.heard == [WARNED, "The float is stuck (warning)"]


def test_what_was_snoozed_before_it_was_told_and_is_over_by_then_is_never_told(line: Line) -> None:
    line.happens(stage(0))
    line.snoozes(1, 8)
    line.passes(0)

    line.happens(end(2))
    line.passes(2, 8, 9, 999)

    assert line.heard == []


def test_the_last_word_counts_of_acknowledging_and_snoozing(line: Line) -> None:
    line.happens(stage(0))
    line.passes(0)

    line.acknowledges(1, 1)
    line.snoozes(1, 8)
    line.passes(8)
    assert line.heard == [WARNED, AGAIN]

    line.snoozes(1, 20)
    line.acknowledges(1, 10)
    line.passes(10, 20, 999)
    assert line.heard == [WARNED, AGAIN]


def test_a_snooze_can_be_made_longer_or_shorter_or_ended(line: Line) -> None:
    line.happens(stage(0))
    line.passes(0)

    line.snoozes(1, 8)
    line.snoozes(1, 24)
    line.passes(8)
    assert line.heard == [WARNED]
    line.snoozes(1, 10)
    line.passes(10)
    assert line.heard == [WARNED, AGAIN]
    line.snoozes(1, 700)
    line.snoozes(1, None)
    line.passes(11)

    assert line.heard == [WARNED, AGAIN, AGAIN]


def test_ending_a_snooze_lets_go_what_it_held_back(line: Line) -> None:
    line.happens(stage(0))
    line.snoozes(1, 72)
    line.passes(0)

    line.snoozes(1, None)
    line.passes(1)

    assert line.heard == [WARNED]


def test_a_snooze_that_ends_while_the_channel_fails_is_told_when_it_works(line: Line) -> None:
    line.happens(stage(0))
    line.passes(0)
    line.snoozes(1, 8)
    line.works = False
    line.passes(8)
    line.works = True

    line.passes(9, 999)

    assert line.heard == [WARNED, AGAIN]


def test_programs_hear_nothing_twice(line: Line) -> None:
    line.policy = PROGRAMS
    line.happens(stage(0))
    line.passes(0)

    line.snoozes(1, 8)
    line.passes(8, 999)

    assert line.heard == [WARNED]


@pytest.mark.parametrize(("policy", "ends"), [(EVERYTHING, 0), (PROGRAMS, 1)])
def test_people_hear_the_verdict_and_not_what_it_makes_over(line: Line, policy: ChannelPolicy, ends: int) -> None:
    line.policy = policy
    line.happens(*scenario().run())
    line.passes(999)

    assert line.heard == [
        "Fermentation has started (info)",
        "The gravity has stopped falling (info)",
        "Fermentation has finished (info)",
        *["Fermentation no longer counts as started (info)", "The gravity no longer counts as steady (info)"] * ends,
    ]


def test_a_plateau_that_ends_in_a_further_fall_is_over(line: Line) -> None:
    falls_again = until(112, logistic_gravity(final=1.0138), ramp(112, 1.0138, 150, 1.0085))
    line.happens(*scenario(gravity_sg=falls_again, length_h=140.0).run())
    line.passes(999)

    assert line.heard[-1] == "The gravity no longer counts as steady (info)"


@pytest.mark.parametrize("remind", [None, timedelta(hours=4), timedelta(hours=24)])
def test_what_is_snoozed_in_the_moment_in_which_it_is_told_is_told_again(
    line: Line, remind: timedelta | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    line.policy = ChannelPolicy(remind=remind)
    line.happens(stage(0))
    take = line.deliver

    def slowly(message: Message) -> None:
        line.snoozes(1, 12)
        take(message)

    with monkeypatch.context() as patched:
        patched.setattr(line, "deliver", slowly)
        line.passes(0)
    line.passes(4, 11)
    assert line.heard == [WARNED]

    line.passes(12)
    assert line.heard == [WARNED, AGAIN]
    line.acknowledges(1, 13)
    line.passes(14, 999)
    assert line.heard == [WARNED, AGAIN]


class Dies(BaseException):
    """The process ends here."""


@pytest.mark.parametrize("moment", ["before", "after"])
def test_a_kill_while_a_snooze_ends_loses_nothing(line: Line, moment: str, monkeypatch: pytest.MonkeyPatch) -> None:
    line.happens(stage(0))
    line.passes(0)
    line.snoozes(1, 8)
    take = line.deliver

    def die(message: Message) -> None:
        if moment == "after":
            take(message)
        raise Dies

    with monkeypatch.context() as patched:
        patched.setattr(line, "deliver", die)
        with pytest.raises(Dies):
            line.passes(8)
    line.passes(8, 9, 999)

    # Handed over and not noted: told again rather than never.
    assert line.heard == [WARNED, *[AGAIN] * (2 if moment == "after" else 1)]


def test_ends_that_wait_keep_no_other_message_back(line: Line) -> None:
    kinds = (Kind.FLOAT_SILENT, Kind.BATTERY_LOW, Kind.TEMPERATURE_DRIFT, Kind.FLOAT_STUCK)
    begun = [replace(stage(3), kind=kind) for kind in kinds]
    line.policy = ChannelPolicy(quiet=(time(20), time(7)))  # at(0) is 18:30 UTC
    line.happens(*begun)
    line.passes(3)
    line.happens(*(replace(end(4), kind=kind, resolves=kind) for kind in kinds), stage(4, Severity.CRITICAL))

    with Store.open(line.url) as store:
        deliver_due(store, {line.name: line}, at(4 * HOUR), policies={line.name: line.policy}, limit=2)

    assert line.heard == [CRITICAL]
    line.passes(13, 14)
    assert line.heard == [CRITICAL]


def test_programs_hear_each_stage_even_if_it_is_over_by_then(line: Line) -> None:
    line.policy = PROGRAMS
    line.happens(stage(0), end(1, replaced=True), stage(1, Severity.CRITICAL), end(2))

    line.passes(3)

    assert line.heard == [WARNED, CRITICAL, OVER]
