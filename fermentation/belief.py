"""Belief: everything the smoother carries from one reading to the next, and its stored form.

The belief is a cloud of particles. A particle is one hypothesis about what is far from Gaussian: the shape of the
fermentation curve (a, b), whether it is stalled, whether there is foam, and roughly when it began. Around it, each
particle carries a normal distribution of everything else, kept up by an extended Kalman filter (a Gaussian sum
filter: Alspach and Sorenson, IEEE Trans. Autom. Control 17, 439-448, 1972, with particles for the discrete part:
Doucet, de Freitas, Murphy and Russell, UAI 2000).

State, in points (0.001 SG) unless noted:

    0 original gravity   1 final gravity   2 temperature effect of the float (points/°C)
    3 foam bias now      4 foam bias under a full head       5 short-lived correlated error
    6 lasting offset (knocks, fouling)     7 z, the logit of progress      8 ln of the rate constant (1/h)
    9 slowly fermented sugars still there
    10... the curve's own error, one standard normal number a mode
"""

from __future__ import annotations

import json
import struct
import zlib
from dataclasses import astuple, dataclass
from datetime import UTC, datetime, timedelta
from itertools import chain
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from fermentation.estimate import Phase
from fermentation.kinetics import Shape, shape_of
from fermentation.rocking import Rocking
from gylewatch.values import Batch

FloatArray = npt.NDArray[np.float64]
SingleArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.intp]

ORIGINAL, FINAL, THERMAL, FOAM, HEAD, SHORT, OFFSET, Z, LOG_K, TAIL, MODES = range(11)


@dataclass(frozen=True, kw_only=True)
class Cloud:
    """The particles; arrays are read-only. n particles, m states."""

    log_weight: FloatArray  # (n,) normalised
    shape: Shape  # of n curves
    foamy: BoolArray  # (n,) a head of foam stands, or will from `onset` on
    onset: FloatArray  # (n,) logit of the progress at which the head begins to form
    stalled: BoolArray  # (n,)
    creeping: BoolArray  # (n,) some sugars go slowly at the end
    poor: BoolArray  # (n,) the yeast's range does not govern the end
    renewed: BoolArray  # (n,) the end is not what was expected at pitching: a pause, an addition, a far sample
    tail_left: FloatArray  # (n,) share of the slow sugars that is still there
    tail_hours: FloatArray  # (n,) in which they fall to 1/e once the easy ones are gone
    mean: FloatArray  # (m, n): a row of particles for each state keeps the inner loops long
    covariance: SingleArray  # (m, m, n), exactly symmetric; most of the memory, and far finer than it is known

    def __post_init__(self) -> None:
        for array in (
            self.log_weight,
            *self.shape,
            self.foamy,
            self.onset,
            self.stalled,
            self.creeping,
            self.poor,
            self.renewed,
            self.tail_left,
            self.tail_hours,
            self.mean,
            self.covariance,
        ):
            array.setflags(write=False)

    @property
    def z(self) -> FloatArray:
        """(n,) logit of progress."""
        row: FloatArray = self.mean[Z]
        return row

    @property
    def log_k(self) -> FloatArray:
        """(n,) ln of the rate constant, 1/h at the belief's reference temperature."""
        row: FloatArray = self.mean[LOG_K]
        return row


def picked(cloud: Cloud, chosen: IndexArray) -> Cloud:
    """The chosen particles, in that order and with the weights they had; one may be chosen several times."""
    return Cloud(
        log_weight=cloud.log_weight[chosen],
        shape=Shape(*(each[chosen] for each in cloud.shape)),
        foamy=cloud.foamy[chosen],
        onset=cloud.onset[chosen],
        stalled=cloud.stalled[chosen],
        creeping=cloud.creeping[chosen],
        poor=cloud.poor[chosen],
        renewed=cloud.renewed[chosen],
        tail_left=cloud.tail_left[chosen],
        tail_hours=cloud.tail_hours[chosen],
        mean=cloud.mean[:, chosen],
        covariance=cloud.covariance[:, :, chosen],
    )


def normalised(log_weight: FloatArray) -> FloatArray:
    """The weights shifted so that their exponentials sum to one."""
    top = log_weight.max()
    shifted: FloatArray = log_weight - (top + np.log(np.exp(log_weight - top).sum()))
    return shifted


@dataclass(frozen=True, kw_only=True)
class Pending:
    """Dense readings waiting to be joined into one robust mean; at most `BIN_MEMBERS` are held."""

    gravity_points: tuple[float, ...] = ()
    temperature_c: tuple[float, ...] = ()
    seen: int = 0


class Drawn(NamedTuple):
    """A hand sample in points."""

    time: datetime
    gravity: float
    sd: float
    by_original: float  # points by which it would move for one more of the original gravity it was corrected by
    original: float


@dataclass(frozen=True, kw_only=True)
class Belief:
    """The smoother's state after the readings up to `time`."""

    batch: Batch
    time: datetime  # of the last update
    heard_at: datetime  # time of the last reading taken, at first of pitching; a hand sample may have come since
    step: int  # number of random draws made so far: makes the next ones reproducible
    cloud: Cloud | None  # None before the first reading
    early: tuple[Drawn, ...]  # hand samples before the first reading
    pending: Pending
    rocking: Rocking  # how the float moves, to tell one that sticks
    works: bool  # at the last estimate the beer had fallen, and was falling
    first_points: float  # the first gravity heard
    noise_points: float  # learnt scatter of one update
    lately: tuple[tuple[float, float], ...]  # the last readings: hours since pitching, points
    temperature_c: float  # last
    reference_c: float  # temperature at which k is expressed
    warmest_c: float  # warmest lasting temperature of the batch
    additions_done: int
    modes_points: tuple[float, ...]  # the curve's error modes where the float has lately been
    misfit: float  # smoothed square of the standardised disagreement of the hand samples
    phase: Phase | None  # at the last estimate
    finished_at: datetime | None  # since when the phase has been finished or conditioning
    final: tuple[float, float, float] | None  # gravity forecast, points: low, middle, high
    finish: tuple[datetime, datetime, datetime] | None  # low, middle, high; kept once it lies behind
    forecast_at: datetime | None  # when both were last worked out; None: it is to be done now
    undrawn_hours: float  # since changes (stall, foam, renewal) were last drawn


def cloud_of(belief: Belief) -> Cloud:
    """The particles of a belief that has seen a reading.

    Raises
    ------
    ValueError
        It has not.
    """
    if belief.cloud is None:
        raise ValueError("the belief has not seen a reading yet")
    return belief.cloud


_MAGIC = b"gylewatch belief 17\n"
_SCALARS = (
    "step",
    "works",
    "first_points",
    "noise_points",
    "temperature_c",
    "reference_c",
    "warmest_c",
    "additions_done",
    "misfit",
    "undrawn_hours",
)

_LARGEST = 1e15  # of any number in it: no hour, point or degree comes near


def encode_belief(belief: Belief) -> bytes:
    """The belief without its batch, compressed; exact, so that a restart does not jump."""
    head: dict[str, object] = {name: getattr(belief, name) for name in _SCALARS}
    head["time"], head["heard_at"] = belief.time.isoformat(), belief.heard_at.isoformat()
    head["phase"] = belief.phase
    head["finished_at"] = belief.finished_at.isoformat() if belief.finished_at else None
    head["forecast_at"] = belief.forecast_at.isoformat() if belief.forecast_at else None
    head["final"] = belief.final
    head["finish"] = [moment.isoformat() for moment in belief.finish] if belief.finish else None
    head["early"] = [(time.isoformat(), *rest) for time, *rest in belief.early]
    head["rocking"] = astuple(belief.rocking)
    head["lately"] = belief.lately
    head["modes_points"] = belief.modes_points
    head["pending"] = [belief.pending.gravity_points, belief.pending.temperature_c, belief.pending.seen]
    body = b""
    if belief.cloud is not None:
        m, n = belief.cloud.mean.shape
        head["shape"] = [m, n]
        upper = np.triu_indices(m)
        body = belief.cloud.covariance[upper].tobytes() + np.vstack([belief.cloud.mean, _rows(belief.cloud)]).tobytes()
    text = json.dumps(head).encode()
    return _MAGIC + zlib.compress(struct.pack("<I", len(text)) + text + body, 1)


def _rows(cloud: Cloud) -> FloatArray:
    flags = (cloud.foamy, cloud.stalled, cloud.creeping, cloud.poor, cloud.renewed)
    return np.vstack(
        [cloud.log_weight, cloud.shape.a, cloud.shape.b, cloud.tail_left, cloud.tail_hours, cloud.onset, *flags]
    )


def decode_belief(stored: bytes, batch: Batch) -> Belief:
    """The inverse of `encode_belief`.

    Raises
    ------
    ValueError
        The bytes are damaged or come from another version of the model.
    """
    if not stored.startswith(_MAGIC):
        raise ValueError("the stored belief comes from another version of the model")
    try:
        plain = zlib.decompress(stored[len(_MAGIC) :])
        (size,) = struct.unpack_from("<I", plain)
        head = json.loads(plain[4 : 4 + size])
        cloud = _decode_cloud(head["shape"], plain[4 + size :]) if "shape" in head else None
        gravity, temperature, seen = head["pending"]
        final, finish = head["final"], head["finish"]
        recent_deg, calm_deg, calm_spans, working_deg, working_spans, score = head["rocking"]
        rocking = Rocking(tuple(recent_deg), calm_deg, calm_spans, working_deg, working_spans, score)
    except (zlib.error, struct.error, KeyError, TypeError, ValueError, RecursionError) as fault:
        raise ValueError(f"the stored belief is damaged ({fault})") from fault
    belief = Belief(
        batch=batch,
        time=_time(head["time"]),
        heard_at=_time(head["heard_at"]),
        phase=Phase(head["phase"]) if head["phase"] else None,
        finished_at=_time(head["finished_at"]) if head["finished_at"] else None,
        cloud=cloud,
        forecast_at=_time(head["forecast_at"]) if head["forecast_at"] else None,
        final=(final[0], final[1], final[2]) if final else None,
        finish=(_time(finish[0]), _time(finish[1]), _time(finish[2])) if finish else None,
        early=tuple(Drawn(_time(time), *rest) for time, *rest in head["early"]),
        rocking=rocking,
        lately=tuple((hour, points) for hour, points in head["lately"]),
        modes_points=tuple(head["modes_points"]),
        pending=Pending(gravity_points=tuple(gravity), temperature_c=tuple(temperature), seen=seen),
        **{name: head[name] for name in _SCALARS},
    )
    if not _holds(belief):
        # No later reading would mend it: each would be left out, or make the estimate no number.
        raise ValueError("the stored belief holds what is not a number, or is not of one piece")
    return belief


def _holds(belief: Belief) -> bool:
    """Whether a belief can be gone on from: all numbers, and as many error modes in one part as in the other."""
    scalars = [getattr(belief, name) for name in _SCALARS]
    recent_deg, *rocking = astuple(belief.rocking)
    pending, early = belief.pending, chain.from_iterable(drawn[1:] for drawn in belief.early)
    lists = (belief.modes_points, recent_deg, rocking, pending.gravity_points, pending.temperature_c, early)
    numbers = [*scalars, *(belief.final or ()), *chain(*lists), *chain.from_iterable(belief.lately)]
    if not all(isinstance(each, int | float) and abs(each) < _LARGEST for each in numbers):
        return False
    if not all(isinstance(each, int) for each in (belief.step, belief.additions_done, pending.seen)):
        return False
    cloud = belief.cloud
    if cloud is None:
        return True
    tables = (*_rows(cloud), *cloud.mean, cloud.covariance)
    return len(cloud.mean) == MODES + len(belief.modes_points) and all(np.isfinite(each).all() for each in tables)


def _decode_cloud(shape: list[int], body: bytes) -> Cloud:
    m, n = shape
    entries = m * (m + 1) // 2
    if min(m, n) < 1 or len(body) != n * (4 * entries + 8 * (m + 11)):
        raise ValueError("the stored belief is damaged (its tables have another size than it says)")
    upper = np.triu_indices(m)
    half = np.frombuffer(body, dtype=np.float32, count=entries * n).reshape(entries, n)
    covariance = np.empty((m, m, n), dtype=np.float32)
    covariance[upper] = half
    covariance[upper[1], upper[0]] = half
    table = np.frombuffer(body, dtype=np.float64, offset=half.nbytes).reshape(m + 11, n).copy()
    mean, columns = table[:-11], table[-11:]
    return Cloud(
        log_weight=columns[0],
        shape=shape_of(columns[1], columns[2]),
        tail_left=columns[3],
        tail_hours=columns[4],
        onset=columns[5],
        foamy=columns[6] > 0.5,
        stalled=columns[7] > 0.5,
        creeping=columns[8] > 0.5,
        poor=columns[9] > 0.5,
        renewed=columns[10] > 0.5,
        mean=mean,
        covariance=covariance,
    )


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


def hours(span: timedelta) -> float:
    """A span of time in hours."""
    return span.total_seconds() / 3600.0
