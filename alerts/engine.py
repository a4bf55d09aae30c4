"""The life cycle of alerts: raise, hold, escalate, resolve. Pure; the same for the live service and for replay.

An alert is never raised again before it was resolved. To escalate is to resolve the milder alert and raise the graver
one in its place, at the same time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from alerts import codec, probe_rules
from alerts.alert import Alert, Kind, Severity
from alerts.conditions import Condition, Observation, OpenAlert, Opened, ended
from alerts.float_rules import float_silent, half_interval
from alerts.rules import CAUSE_RULES, IMPLIED_BY, RULES, Memory, Rule, follow
from alerts.settings import AlertSettings
from gylewatch.copying import replace
from gylewatch.values import Batch, ProbeReading, utc_text

__all__ = ["Action", "AlertState", "Decision", "Observation", "deliberate", "hear_probe", "judge", "start"]

REPLACED = "replaced_by_graver"
"""Evidence of a resolved alert that was not over but became graver: nobody needs to be told of that end."""

RAISED = "raised"
"""Evidence of a resolved alert: when it was raised, as the ISO time of that alert."""

CLOSED = "batch_ended"
"""Evidence of a resolved alert whose batch a person has ended: that person needs not be told of it."""

SWITCHED_OFF = "switched_off"
"""Evidence of a resolved alert whose kind is no longer wanted: what it told may still be so."""

CAUSE = "cause"
"""Evidence of an alert whose kind tells of several things: which of them this is."""

_ALL_RULES = (*((kind, "", rule) for kind, rule in RULES), *CAUSE_RULES)
_SILENCE_RULES = tuple(each for each in _ALL_RULES if each[0] is Kind.FLOAT_SILENT)
_CAUSES = tuple(dict.fromkeys(cause for _, cause, _ in _ALL_RULES))

_GRAVITY_OF = {Severity.INFO: 0, Severity.WARNING: 1, Severity.CRITICAL: 2}


class Action(StrEnum):
    RAISE = "raise"
    HOLD = "hold"
    ESCALATE = "escalate"
    RESOLVE = "resolve"


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What was decided about one kind at one observation, and why."""

    kind: Kind
    action: Action
    reason: str
    condition: Condition | None = None
    raised: OpenAlert | None = None  # what was open before
    cause: str = ""
    time: datetime | None = None  # as of which it was judged


@dataclass(frozen=True, kw_only=True)
class AlertState:
    """What is carried from one observation to the next: what is open, and what the rules remember."""

    open: tuple[OpenAlert, ...] = ()
    memory: Memory = field(default_factory=Memory)

    def opened(self, cause: str = "") -> Opened:
        """The open alerts of one cause by kind; without a cause those of which a kind has only one."""
        return {alert.kind: alert for alert in self.open if alert.cause == cause}

    def to_json(self) -> str:
        """This state as JSON text, exactly."""
        return codec.to_json(self)

    @classmethod
    def from_json(cls, text: str) -> AlertState:
        """The state that `to_json` wrote; raises ValueError for any other text."""
        return codec.from_json(cls, text)


def start(batch: Batch) -> AlertState:
    """The state before the first observation of `batch`."""
    return AlertState()


def hear_probe(state: AlertState, heard: ProbeReading) -> AlertState:
    """Take in what the vessel's own probe says. It is judged with the float's next reading, by the float's clock."""
    probe = probe_rules.follow_probe(state.memory.probe, heard)
    return replace(state, memory=replace(state.memory, probe=probe))


def judge(
    settings: AlertSettings, batch: Batch, state: AlertState, observation: Observation
) -> tuple[AlertState, tuple[Alert, ...]]:
    """Judge one observation: the new state, and the alerts that were raised or resolved by it, in order."""
    state, decisions = deliberate(settings, batch, state, observation)
    alerts: list[Alert] = []
    for decision in decisions:
        alerts.extend(_alerts(decision, decision.time or observation.time))
    return state, tuple(alerts)


def withdrawn(alert: Alert, time: datetime) -> Alert:
    """The end of an alert that is open on record and for which the batch, read again, gives no reason."""
    return _ended_on_record(
        alert, time, "The batch was read again with what is known now, and gives no reason for this alert any more."
    )


def closed(alert: Alert, time: datetime) -> Alert:
    """The end of an alert that was open when its batch was ended at `time`."""
    return _ended_on_record(alert, time, "The batch has ended; this is no longer watched.", **{CLOSED: True})


def _ended_on_record(alert: Alert, time: datetime, summary: str, **more: bool) -> Alert:
    return replace(
        alert,
        time=max(time, alert.time),
        severity=Severity.INFO,
        summary=summary,
        evidence={**({CAUSE: alert.cause} if alert.cause else {}), **more, RAISED: utc_text(alert.time)},
        resolves=alert.kind,
    )


def deliberate(
    settings: AlertSettings, batch: Batch, state: AlertState, observation: Observation
) -> tuple[AlertState, tuple[Decision, ...]]:
    """Judge one observation and give the reason of every decision; kinds of which nothing is new are left out."""
    decisions: list[Decision] = []
    clock = state.memory.clock
    if observation.reading is not None and clock is not None and state.memory.silence.reading_time is not None:
        # The time that passed is judged before the reading that ended it, so that a gap is found even without ticks.
        # Not up to the very reading: one that comes on the beat would be called missing in the moment it is heard.
        before = observation.time - half_interval(state.memory.silence)
        if before > clock and not _passes_quietly(settings, batch, state, before):
            state, decisions = _pass(settings, batch, state, Observation(time=before), _SILENCE_RULES)
    state, more = _pass(settings, batch, state, observation, _ALL_RULES)
    return state, (*decisions, *more)


def _pass(
    settings: AlertSettings,
    batch: Batch,
    state: AlertState,
    observation: Observation,
    rules: Sequence[tuple[Kind, str, Rule]],
) -> tuple[AlertState, list[Decision]]:
    clock = max(state.memory.clock or observation.time, observation.time)
    heard_nothing = observation.reading is None and observation.estimate is None
    if heard_nothing and _passes_quietly(settings, batch, state, clock):
        return replace(state, memory=replace(state.memory, clock=clock)), []
    opened_by = {cause: dict(state.opened(cause)) for cause in _CAUSES}
    memory, seen = follow(settings, batch, state.memory, observation, opened_by[""])
    decisions: list[Decision] = []
    for kind, cause, rule in rules:
        opened = opened_by[cause]
        if settings.is_enabled(kind):
            condition = rule(settings, batch, memory, seen, opened)
        elif kind in opened:
            condition = ended("This kind of alert has been switched off in the settings.", **{SWITCHED_OFF: True})
        else:
            continue
        if condition is None:
            continue
        decision = replace(decide(kind, condition, opened), cause=cause, time=clock)
        decisions.append(decision)
        _apply(decision, opened, clock)
    still = tuple(alert for opened in opened_by.values() for alert in opened.values())
    return AlertState(open=still, memory=memory), decisions


def _passes_quietly(settings: AlertSettings, batch: Batch, state: AlertState, clock: datetime) -> bool:
    """Whether time that passes without a reading changes nothing: mostly so, and it is asked at each tick."""
    if not all(settings.is_enabled(alert.kind) for alert in state.open):
        return False
    return float_silent(settings, batch, state.memory.silence, clock, state.opened(), heard_now=False) is None


def decide(kind: Kind, condition: Condition, opened: Opened) -> Decision:
    """What follows from a condition, given the alerts that are open."""
    raised = opened.get(kind)
    implied_by = next((other for other in IMPLIED_BY.get(kind, ()) if other in opened), None)
    action, reason = Action.HOLD, condition.summary
    if condition.active and raised is None and implied_by is not None:
        reason = f"{implied_by.value} is open and says as much"
    elif condition.active and raised is None:
        action = Action.RAISE
    elif condition.active and raised is not None and _GRAVITY_OF[condition.severity] > _GRAVITY_OF[raised.severity]:
        action = Action.ESCALATE
    elif not condition.active and raised is not None:
        action = Action.RESOLVE
    elif condition.active:
        reason = "it has been raised already"
    else:
        reason = "it is not open"
    return Decision(kind=kind, action=action, reason=reason, condition=condition, raised=raised)


def _apply(decision: Decision, opened: dict[Kind, OpenAlert], now: datetime) -> None:
    if decision.action is Action.RESOLVE:
        del opened[decision.kind]
    elif decision.action in (Action.RAISE, Action.ESCALATE) and decision.condition is not None:
        opened[decision.kind] = OpenAlert(
            kind=decision.kind, since=now, severity=decision.condition.severity, cause=decision.cause
        )


def _alerts(decision: Decision, now: datetime) -> tuple[Alert, ...]:
    condition = decision.condition
    if condition is None or decision.action is Action.HOLD:
        return ()
    named = {CAUSE: decision.cause} if decision.cause else {}
    alert = Alert(
        time=now,
        kind=decision.kind,
        severity=condition.severity,
        summary=condition.summary,
        evidence={**named, **condition.evidence},
        cause=decision.cause,
    )
    if decision.raised is None:
        return (alert,)
    raised = {RAISED: utc_text(decision.raised.since)}
    if decision.action is Action.RESOLVE:
        return (replace(alert, evidence={**alert.evidence, **raised}, resolves=decision.kind),)
    milder = replace(
        alert,
        severity=Severity.INFO,
        summary="This alert has become graver and is raised anew.",
        evidence={**named, REPLACED: True, **raised},
        resolves=decision.kind,
    )
    return milder, alert
