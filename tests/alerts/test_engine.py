"""The life cycle: never twice without an end between, the same after a restart, bounded memory, always a reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.alert import Alert, Kind, Severity
from alerts.conditions import Condition, OpenAlert
from alerts.engine import Action, AlertState, Decision, Observation, decide, deliberate, judge, start
from alerts.rules import RULES
from alerts.settings import AlertSettings
from tests.alerts.scenario import PITCHED, at, kinds, logistic_gravity, ramp, run, scenario

BATCH = scenario(plan=((120.0, (2.0, 5.0)),)).batch
DEFAULTS = AlertSettings()


def eventful() -> tuple[Observation, ...]:
    brew = scenario(
        gravity_sg=logistic_gravity(final=1.02),
        temperature_c=ramp(40, 19.2, 44, 23.0),
        battery_v=ramp(0, 3.9, 150, 3.3),
        heard=lambda h: not 60 < h < 70,
        interval_h=0.5,
        length_h=150.0,
    )
    return tuple(brew.observations())


EVENTFUL = eventful()


def assert_never_twice(alerts: Sequence[Alert]) -> None:
    is_open: set[Kind] = set()
    for alert in alerts:
        if alert.resolves is None:
            assert alert.kind not in is_open, f"{alert.kind} was raised twice"
            is_open.add(alert.kind)
        else:
            assert alert.resolves in is_open, f"{alert.resolves} was resolved without being open"
            is_open.remove(alert.resolves)


@st.composite
def wild_observations(draw: st.DrawFn) -> tuple[Observation, ...]:
    """Readings, ticks and estimates with any values, late, repeated and out of order."""
    found = []
    hours = 0.0
    for _ in range(draw(st.integers(1, 60))):
        hours += draw(st.sampled_from([0.0, 0.25, 1.0, 7.0, 30.0, -5.0]))
        brew = scenario(
            temperature_c=lambda _h: draw(st.sampled_from([1.0, 19.0, 21.5, 30.0])),
            battery_v=lambda _h: draw(st.sampled_from([None, 3.0, 3.45, 4.1])),
            misfit_sigma=lambda _h: draw(st.sampled_from([0.0, 5.0])),
            gravity_sg=lambda _h: draw(st.sampled_from([0.98, 1.010, 1.030, 1.052, 1.09])),
            angle_deg=lambda _h: draw(st.sampled_from([30.0, 30.0, 50.0])),
        )
        reading = brew.reading(hours) if draw(st.booleans()) else None
        estimate = brew.estimate(hours) if draw(st.booleans()) else None
        if estimate is not None:
            estimate = replace(
                estimate,
                rate_points_per_day=draw(st.sampled_from([0.0, 0.3, 2.0, 20.0])),
                probability_started=draw(st.sampled_from([0.0, 0.5, 1.0])),
                probability_still=draw(st.sampled_from([0.0, 0.7, 1.0])),
                probability_attenuated=draw(st.sampled_from([0.0, 0.15, 0.5, 1.0])),
            )
        found.append(Observation(time=at(hours), reading=reading, estimate=estimate))
    return tuple(found)


@given(wild_observations())
@settings(max_examples=150, deadline=None)
def test_no_alert_is_raised_twice_without_an_end_between_nor_ended_without_having_been_raised(
    observations: tuple[Observation, ...],
) -> None:
    _, alerts = run(DEFAULTS, BATCH, observations)

    assert_never_twice(alerts)


@given(wild_observations())
@settings(max_examples=100, deadline=None)
def test_the_state_survives_json_exactly_at_every_step(observations: tuple[Observation, ...]) -> None:
    state = start(BATCH)
    for observation in observations:
        state, _ = judge(DEFAULTS, BATCH, state, observation)

        assert AlertState.from_json(state.to_json()) == state


@given(wild_observations())
@settings(max_examples=100, deadline=None)
def test_alerts_come_in_order_of_time(observations: tuple[Observation, ...]) -> None:
    _, alerts = run(DEFAULTS, BATCH, observations)

    times = [alert.time for alert in alerts]
    assert times == sorted(times)


def test_a_restart_at_any_step_changes_no_alert() -> None:
    state, alerts = run(DEFAULTS, BATCH, EVENTFUL)
    restarted = start(BATCH)
    told: list[Alert] = []

    for observation in EVENTFUL:
        restarted, more = judge(DEFAULTS, BATCH, AlertState.from_json(restarted.to_json()), observation)
        told.extend(more)

    assert tuple(told) == alerts
    assert restarted == state
    assert len(kinds(alerts)) >= 5


def test_a_prefix_of_the_observations_gives_a_prefix_of_the_alerts() -> None:
    _, alerts = run(DEFAULTS, BATCH, EVENTFUL)

    for length in range(0, len(EVENTFUL), 37):
        _, some = run(DEFAULTS, BATCH, EVENTFUL[:length])
        assert alerts[: len(some)] == some


def test_a_repeated_observation_changes_no_alert() -> None:
    _, alerts = run(DEFAULTS, BATCH, EVENTFUL)

    _, twice = run(DEFAULTS, BATCH, [each for each in EVENTFUL for _ in range(2)])

    assert [(alert.time, alert.kind, alert.resolves) for alert in twice] == [
        (alert.time, alert.kind, alert.resolves) for alert in alerts
    ]


def test_late_readings_change_no_alert() -> None:
    _, alerts = run(DEFAULTS, BATCH, EVENTFUL)
    disturbed: list[Observation] = []
    for i, each in enumerate(EVENTFUL):
        disturbed.append(each)
        if i % 5 == 0 and i > 60:
            disturbed.append(EVENTFUL[i - 50])

    _, told = run(DEFAULTS, BATCH, disturbed)

    assert [(alert.time, alert.kind) for alert in told] == [(alert.time, alert.kind) for alert in alerts]


def test_the_state_stays_small_however_long_and_dense_the_batch_is() -> None:
    brew = scenario(interval_h=1 / 60, ticks=False)
    sizes = []
    state = start(brew.batch)
    for minute in range(60 * 24 * 7):
        observation = Observation(time=at(minute / 60), reading=brew.reading(minute / 60))
        state, _ = judge(DEFAULTS, brew.batch, state, observation)
        if minute % 1440 == 1439:
            sizes.append(len(state.to_json()))

    assert max(sizes) < 8000
    assert sizes[-1] < sizes[2] * 1.3


def test_every_kind_has_its_rule() -> None:
    assert sorted(kind for kind, _ in RULES) == sorted(Kind)


def test_every_decision_has_a_reason() -> None:
    state = start(BATCH)
    decisions: list[Decision] = []
    for observation in EVENTFUL:
        state, more = deliberate(DEFAULTS, BATCH, state, observation)
        decisions.extend(more)

    assert {Action.RAISE, Action.RESOLVE} <= {decision.action for decision in decisions}
    assert all(decision.reason for decision in decisions)


def test_what_another_alert_says_already_is_held_back_with_that_reason() -> None:
    drifts = Condition(active=True, severity=Severity.WARNING, summary="It drifts.", evidence={})
    out = OpenAlert(kind=Kind.TEMPERATURE_OUT_OF_RANGE, since=PITCHED, severity=Severity.WARNING)

    decision = decide(Kind.TEMPERATURE_DRIFT, drifts, {out.kind: out})

    assert decision is not None
    assert decision.action is Action.HOLD
    assert "temperature-out-of-range" in decision.reason


def test_an_end_names_the_time_at_which_its_alert_was_raised() -> None:
    _, alerts = run(DEFAULTS, BATCH, EVENTFUL)

    beginnings = {(alert.kind, alert.time.isoformat().replace("+00:00", "Z")) for alert in alerts if not alert.resolves}
    ends = [alert for alert in alerts if alert.resolves]
    assert ends
    assert all((alert.kind, alert.evidence["raised"]) in beginnings for alert in ends)


def test_an_open_alert_of_a_kind_that_is_switched_off_ends() -> None:
    state, _ = run(DEFAULTS, BATCH, [each for each in EVENTFUL if each.time <= at(60)])
    assert Kind.TEMPERATURE_OUT_OF_RANGE in state.opened()
    off = replace(DEFAULTS, temperature_out_of_range=replace(DEFAULTS.temperature_out_of_range, enabled=False))

    state, alerts = judge(off, BATCH, state, Observation(time=at(60) + timedelta(minutes=1)))

    assert [alert.resolves for alert in alerts] == [Kind.TEMPERATURE_OUT_OF_RANGE]


def test_a_float_that_delivers_old_readings_after_a_silence_ends_it_once() -> None:
    brew = scenario(interval_h=0.25)
    readings = [Observation(time=at(h / 4), reading=brew.reading(h / 4)) for h in range(200)]
    before, buffered = readings[:80], readings[80:120]
    ticks = [Observation(time=at(19.75 + m / 60)) for m in range(0, 600, 10)]
    still_ticking = [Observation(time=at(29.7 + i / 3600)) for i in range(len(buffered))]
    draining = [each for pair in zip(buffered, still_ticking, strict=True) for each in pair]

    _, alerts = run(DEFAULTS, brew.batch, [*before, *ticks, *draining])

    silent = [alert for alert in alerts if alert.kind is Kind.FLOAT_SILENT]
    assert [alert.resolves for alert in silent] == [None, Kind.FLOAT_SILENT]


@pytest.mark.parametrize(("lost", "is_silent"), [(5, False), (6, True)])
def test_a_float_that_comes_on_the_beat_of_the_limit_is_not_called_silent(lost: int, is_silent: bool) -> None:
    """Hourly, six intervals are the limit: after five lost reports the sixth interval ends with a reading."""
    brew = scenario(interval_h=1.0)
    hours = [*range(30), 30 + lost, 31 + lost]

    _, alerts = run(DEFAULTS, brew.batch, [Observation(time=at(h), reading=brew.reading(h)) for h in hours])

    silent = [alert for alert in alerts if alert.kind is Kind.FLOAT_SILENT]
    assert [alert.resolves for alert in silent] == ([None, Kind.FLOAT_SILENT] if is_silent else [])
    assert all(at(29) < alert.time < at(30 + lost) for alert in silent[:1])  # not in the moment it is heard


@pytest.mark.parametrize("text", ["", "[]", "null", '{"open": 3}', '{"memory": {"clock": 5}}', "{"])
def test_text_that_is_no_state_is_refused_as_a_value_error(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        AlertState.from_json(text)
