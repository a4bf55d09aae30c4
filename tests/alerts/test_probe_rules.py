"""Float and vessel probe: when two thermometers in one beer disagree, and when they only seem to."""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace

import pytest

from alerts.alert import Alert, Kind, Severity, Subject
from alerts.delivery.channel import Notice, body, title
from alerts.engine import AlertState, Observation, hear_probe, judge, start
from alerts.probe_rules import DISAGREE, difference
from alerts.settings import AlertSettings
from gylewatch.values import BatchId, FloatId, PlanStep, ProbeReading, Reading, VesselId
from tests.alerts.scenario import Brew, Course, at, constant, hours_of, ramp, scenario

FLOAT, PROBE = 19.2, 19.0
SUSPECT = Subject(Kind.CALIBRATION_SUSPECT, DISAGREE)


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Two thermometers in one beer, hour by hour; each with a tenth of a degree of noise."""

    float_c: Course = field(default_factory=lambda: constant(FLOAT))
    probe_c: Course = field(default_factory=lambda: constant(PROBE))
    probe_until_h: float = 1e9
    probe_every_h: float = 0.2
    length_h: float = 60.0
    brew: Brew = field(default_factory=scenario)
    settings: AlertSettings = field(default_factory=AlertSettings)

    def alerts(self, *, restart: bool = False) -> tuple[Alert, ...]:
        noise = random.Random(1)
        batch, state = self.brew.batch, start(self.brew.batch)
        found: list[Alert] = []
        events: list[Reading | ProbeReading] = []
        for step in range(int(self.length_h / 0.25)):
            h = step * 0.25
            warmth = self.float_c(h) + noise.gauss(0, 0.1)
            events.append(Reading(time=at(h), float_id=FloatId("heron"), angle_deg=50.0, temperature_c=warmth))
        for step in range(int(min(self.length_h, self.probe_until_h) / self.probe_every_h)):
            h = step * self.probe_every_h
            events.append(self.heard(h, self.probe_c(h) + noise.gauss(0, 0.1)))
        for event in sorted(events, key=lambda each: each.time):
            if isinstance(event, ProbeReading):
                state = hear_probe(state, event)
                continue
            state, alerts = judge(self.settings, batch, state, Observation(time=event.time, reading=event))
            found.extend(alerts)
            if restart:
                state = AlertState.from_json(state.to_json())
        return tuple(each for each in found if each.subject == SUSPECT)

    def heard(self, h: float, warmth: float) -> ProbeReading:
        return ProbeReading(time=at(h), probe="thermowell-1", vessel=VesselId("FV1"), temperature_c=warmth)


def planned(*steps: PlanStep) -> Brew:
    brew = scenario()
    return brew.but(batch=replace(brew.batch, plan=steps))


def test_two_thermometers_that_agree_to_half_a_degree_are_no_news() -> None:
    assert Pair(probe_c=constant(FLOAT - 0.5)).alerts() == ()


def test_a_probe_that_reads_two_degrees_low_is_told_within_half_a_day_with_its_numbers() -> None:
    (alert,) = Pair(probe_c=constant(17.0)).alerts()

    assert (alert.kind, alert.severity, alert.cause) == (Kind.CALIBRATION_SUSPECT, Severity.WARNING, DISAGREE)
    assert 8 <= hours_of(alert) <= 13
    assert alert.evidence["cause"] == DISAGREE
    assert alert.evidence["float_mean_c"] == pytest.approx(19.2, abs=0.1)
    assert alert.evidence["probe_mean_c"] == pytest.approx(17.0, abs=0.1)
    assert alert.evidence["difference_c"] == pytest.approx(2.2, abs=0.1)
    hours = alert.evidence["compared_h"]
    assert isinstance(hours, int)
    assert alert.evidence["float_readings"] == 4 * hours
    assert alert.evidence["probe_readings"] == 5 * hours
    sustained = alert.evidence["sustained_h"]
    assert isinstance(sustained, float)
    assert sustained == pytest.approx(
        hours_of(alert) - 1, abs=1
    )  # the first hour has none before it to be steady against


def test_it_ends_when_the_two_agree_again() -> None:
    begin, end = Pair(probe_c=lambda h: 17.0 if h < 24 else 19.0).alerts()

    assert end.resolves is begin.kind
    assert end.cause == DISAGREE
    assert 26 <= hours_of(end) <= 32
    assert end.evidence["raised"] == begin.time.isoformat().replace("+00:00", "Z")


def test_between_the_two_limits_it_is_neither_raised_nor_ended() -> None:
    falls_to_between = Pair(probe_c=lambda h: 17.0 if h < 24 else 18.0)

    assert Pair(probe_c=constant(18.0)).alerts() == ()
    assert len(falls_to_between.alerts()) == 1


def test_a_hand_around_the_probe_for_an_hour_is_no_news() -> None:
    assert Pair(probe_c=lambda h: 30.0 if 20 < h < 21 else PROBE).alerts() == ()


def test_a_difference_that_swings_to_both_sides_is_no_news() -> None:
    assert Pair(probe_c=lambda h: FLOAT + (3.0 if int(h / 3) % 2 else -3.0)).alerts() == ()


def test_the_float_that_lags_behind_a_planned_cold_crash_is_no_news() -> None:
    crash = planned(PlanStep(start=at(20), temperature_c=(2.0, 5.0), label="cold crash"))
    pair = Pair(
        brew=crash, length_h=66, probe_c=ramp(20, 19.0, 30, 3.0), float_c=ramp(24, 19.2, 56, 3.2)
    )  # the float at the top follows a day later

    assert pair.alerts() == ()


def test_layers_that_stay_long_after_the_cold_crash_are_told() -> None:
    crash = planned(PlanStep(start=at(20), temperature_c=(2.0, 5.0), label="cold crash"))
    (alert,) = Pair(brew=crash, length_h=110, probe_c=ramp(20, 19.0, 30, 2.0), float_c=ramp(24, 19.2, 40, 5.0)).alerts()

    assert hours_of(alert) > 20 + 48


def test_an_unplanned_cooling_that_the_float_follows_late_is_no_news() -> None:
    pair = Pair(length_h=40, probe_c=ramp(12, 19.0, 18, 9.0), float_c=ramp(14, 19.2, 20, 9.2))

    assert pair.alerts() == ()


def test_what_was_heard_long_ago_is_not_told_as_todays() -> None:
    silent_before_it_counts = Pair(probe_c=constant(17.0), probe_until_h=6.0)

    assert silent_before_it_counts.alerts() == ()


def test_a_probe_that_is_heard_no_longer_ends_it_after_a_day_and_says_so() -> None:
    _, end = Pair(probe_c=constant(17.0), probe_until_h=16.0, length_h=60).alerts()

    assert "can no longer be compared" in end.summary
    assert 39 < hours_of(end) < 42


def test_another_probe_begins_anew() -> None:
    pair, state = Pair(), start(scenario().batch)
    state = hear_probe(state, pair.heard(0, 17.0))

    state = hear_probe(state, replace(pair.heard(1, 19.0), probe="new"))

    assert [hour.probe_c for hour in state.memory.probe.hours] == [19.0]


def test_a_late_probe_reading_changes_nothing() -> None:
    pair, state = Pair(), start(scenario().batch)
    state = hear_probe(state, pair.heard(5, 19.0))

    assert hear_probe(state, pair.heard(4, 12.0)) == state


def test_the_state_may_be_written_down_between_any_two_readings() -> None:
    pair = Pair(probe_c=lambda h: 17.0 if h < 24 else 19.0)

    assert pair.alerts(restart=True) == pair.alerts()


def test_it_is_switched_off_with_its_kind() -> None:
    suspect = replace(AlertSettings().calibration_suspect, enabled=False)

    assert Pair(probe_c=constant(17.0), settings=replace(AlertSettings(), calibration_suspect=suspect)).alerts() == ()


def test_it_neither_hides_nor_ends_what_hand_samples_say_of_the_curve() -> None:
    brew = scenario(misfit_sigma=lambda h: 5.0 if h < 40 else 0.5, length_h=60.0)
    settings, batch, state = AlertSettings(), brew.batch, start(brew.batch)
    alerts: list[Alert] = []
    for step in range(240):
        h = step * 0.25
        state = hear_probe(state, Pair().heard(h, 15.0))
        reading = Reading(time=at(h), float_id=FloatId("heron"), angle_deg=50.0, temperature_c=FLOAT)
        observation = Observation(time=at(h), reading=reading, estimate=brew.estimate(h))
        state, more = judge(settings, batch, state, observation)
        alerts.extend(each for each in more if each.subject.kind is Kind.CALIBRATION_SUSPECT)

    told = [(each.cause, each.resolves is not None) for each in alerts]
    assert told == [("", False), (DISAGREE, False), ("", True)]
    assert [each.cause for each in state.open if each.kind is Kind.CALIBRATION_SUSPECT] == [DISAGREE]


def test_without_a_probe_nothing_is_remembered() -> None:
    brew, state = scenario(), start(scenario().batch)
    reading = Reading(time=at(1), float_id=FloatId("heron"), angle_deg=50.0, temperature_c=FLOAT)

    after, _ = judge(AlertSettings(), brew.batch, state, Observation(time=at(1), reading=reading))

    assert after.memory.probe == state.memory.probe


def test_a_probe_makes_no_float_look_silent() -> None:
    state = start(scenario().batch)
    settings, batch = AlertSettings(), scenario().batch
    reading = Reading(time=at(1), float_id=FloatId("heron"), angle_deg=50.0, temperature_c=FLOAT)
    state, _ = judge(settings, batch, state, Observation(time=at(1), reading=reading))

    state = hear_probe(state, Pair().heard(40, 19.0))  # the float's own packets are still on their way
    _, alerts = judge(settings, batch, state, Observation(time=at(1.25), reading=replace(reading, time=at(1.25))))

    assert state.memory.clock == at(1)
    assert alerts == ()


def test_a_message_has_a_title_and_advice_of_its_own() -> None:
    (alert,) = Pair(probe_c=constant(17.0)).alerts()
    message = Notice(batch_id=BatchId("pale"), batch_name="Pale", alert=alert)

    assert title(message) == "Pale: Float and vessel probe disagree on the temperature"
    assert "third thermometer" in body(message)
    assert "hand sample" not in body(message)


def test_the_standard_error_is_that_of_a_median_of_independent_values() -> None:
    """Independent arithmetic: MAD of 0, 1, 2, 3, 4 is 1, so sd 1.4826; three alike hours count as one, so n = 5/3."""
    off, error = difference([0.0, 1.0, 2.0, 3.0, 4.0])

    assert off == 2.0
    assert error == pytest.approx(1.2533 * 1.4826 / (5 / 3) ** 0.5)
