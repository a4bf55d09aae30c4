"""From one event to what is believed and what must be told: calibrate, estimate, judge.

Pure. The live service and the replay both run exactly this; they differ only in where events come from and where
outcomes go. State is a value that is passed in and returned, and that can be written down and read back.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from datetime import datetime

from alerts import engine
from alerts.alert import Alert
from alerts.engine import AlertState, Observation
from alerts.settings import AlertSettings
from calibration.curve import Curve, gravity_reading
from calibration.hydrometry import batch_gravity
from fermentation import smooth
from fermentation.belief import Belief, decode_belief, encode_belief
from fermentation.estimate import Estimate
from gylewatch.copying import replace
from gylewatch.errors import AboveOriginal, GylewatchError
from gylewatch.values import Batch, ProbeReading, Reading, Sample

_MAGIC = b"gylewatch state 5\n"
# Raise the number when the belief or the alert state changes its meaning: a state of another version is refused,
# and the service reads the batch again from its stored readings.
_LENGTH = _CHECKSUM = _FACTS = struct.Struct(">I")


class StaleState(GylewatchError):
    """A stored state was written by another version or from other facts, or is damaged.

    Remedy: read the batch again from the start.
    """


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The fixed facts of one batch: what does not change from event to event."""

    batch: Batch
    curve: Curve
    alert_settings: AlertSettings


@dataclass(frozen=True, kw_only=True)
class State:
    """What is carried from event to event."""

    belief: Belief
    alerts: AlertState


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one event leads to."""

    state: State
    estimate: Estimate | None  # None: the event did not lead to an estimate
    alerts: tuple[Alert, ...] = ()
    left_out: str = ""  # why the event changed nothing, though it might have


def start(course: Course) -> State:
    """The state before anything was heard of the batch."""
    return State(belief=smooth.start(course.batch), alerts=engine.start(course.batch))


def on_reading(course: Course, state: State, reading: Reading) -> Outcome:
    """One accepted reading: angle to gravity, gravity to estimate, estimate to verdict.

    A reading from before pitching belongs to another beer, or to the bench: it changes nothing.
    """
    if reading.time < course.batch.pitched:
        return Outcome(state=state, estimate=None)
    gravity = gravity_reading(course.curve, reading, original_gravity_sg=course.batch.original_gravity_sg)
    belief, estimate = smooth.step(state.belief, gravity)
    seen = Observation(
        time=reading.time,
        reading=reading,
        estimate=estimate,
        float_gravity_sg=gravity.gravity_sg,
        float_gravity_sd_sg=gravity.sd_sg,
    )
    return _judged(course, state, belief, seen)


def on_sample(course: Course, state: State, sample: Sample) -> Outcome:
    """One hand sample: it re-anchors the estimate at once.

    One far above the original gravity is left out: that may have been entered or corrected later than the sample.
    """
    try:
        original_sg = smooth.original_gravity_sg(state.belief)
        gravity = batch_gravity(course.batch, sample, believed_original_sg=original_sg)
    except AboveOriginal as error:
        return Outcome(state=state, estimate=None, left_out=str(error))
    belief, estimate = smooth.observe_sample(state.belief, gravity)
    seen = Observation(time=sample.time, estimate=estimate, sample_sg=gravity.gravity_sg)
    return _judged(course, state, belief, seen)


def on_probe(course: Course, state: State, heard: ProbeReading) -> State:
    """One temperature of the vessel's own probe: it is compared when the float reports next."""
    if heard.time < course.batch.pitched:
        return state
    return replace(state, alerts=engine.hear_probe(state.alerts, heard))


def on_tick(course: Course, state: State, now: datetime) -> Outcome:
    """Time passed and nothing was heard: only what depends on silence can change."""
    return _judged(course, state, state.belief, Observation(time=now, reading=None, estimate=None))


def _judged(course: Course, state: State, belief: Belief, observation: Observation) -> Outcome:
    alert_state, alerts = engine.judge(course.alert_settings, course.batch, state.alerts, observation)
    return Outcome(state=State(belief=belief, alerts=alert_state), estimate=observation.estimate, alerts=alerts)


def encode_state(state: State) -> bytes:
    """Write a state down, so that a restart neither re-reads the batch nor jumps."""
    alerts = state.alerts.to_json().encode()
    facts = _FACTS.pack(_learnt_from(state.belief.batch))
    body = b"".join((facts, _LENGTH.pack(len(alerts)), alerts, encode_belief(state.belief)))
    return b"".join((_MAGIC, _CHECKSUM.pack(zlib.crc32(body)), body))


def decode_state(written: bytes, batch: Batch) -> State:
    """Read back what :func:`encode_state` wrote for `batch`.

    Raises
    ------
    StaleState
        The bytes were written by another version of gylewatch, before facts of the batch were changed from which the
        belief has learnt, or are damaged.
    """
    if not written.startswith(_MAGIC):
        raise StaleState("the stored state was written by another version of gylewatch")
    try:
        (checksum,) = _CHECKSUM.unpack_from(written, len(_MAGIC))
        body = memoryview(written)[len(_MAGIC) + _CHECKSUM.size :]
        if zlib.crc32(body) != checksum:
            raise StaleState("the stored state is damaged: its checksum is wrong")
        (facts,) = _FACTS.unpack_from(body)
        if facts != _learnt_from(batch):
            raise StaleState("what was concluded rests on facts of the batch that have been changed since")
        body = body[_FACTS.size :]
        (length,) = _LENGTH.unpack_from(body)
        alerts = bytes(body[_LENGTH.size : _LENGTH.size + length])
        belief = bytes(body[_LENGTH.size + length :])
        return State(
            belief=decode_belief(belief, batch),
            alerts=AlertState.from_json(alerts.decode()),
        )
    except StaleState:
        raise
    except GylewatchError as error:
        raise StaleState(f"the stored state cannot be used: {error}") from error
    except (ValueError, KeyError, TypeError, IndexError, struct.error) as error:
        raise StaleState(f"the stored state cannot be gone on from ({type(error).__name__}: {error})") from error


def _learnt_from(batch: Batch) -> int:
    """A number that changes with the facts that are in a belief for good; the others are looked up when needed."""
    facts = (
        batch.pitched,
        batch.float_id,
        batch.original_gravity_sg,
        batch.expected_attenuation,
        batch.additions,
        batch.instruments,
    )
    return zlib.crc32(repr(facts).encode())
