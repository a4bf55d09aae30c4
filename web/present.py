"""What an alert speaks of, as it is at present: its own numbers stay those of the time when it was raised. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from alerts.alert import Alert, Kind
from alerts.probe_rules import DISAGREE
from fermentation.estimate import Estimate
from gylewatch.values import ProbeReading, Reading
from web import words

SAME_FOR: Final = timedelta(hours=1)  # no number of a beer has moved by then as far as a person would act on it
_WARMTH: Final = frozenset({Kind.TEMPERATURE_DRIFT, Kind.TEMPERATURE_OUT_OF_RANGE})
_GRAVITY: Final = frozenset(
    {
        Kind.FERMENTATION_STARTED,
        Kind.FERMENTATION_FINISHED,
        Kind.ATTENUATION_PLATEAU,
        Kind.FERMENTATION_STALLED,
        Kind.CALIBRATION_SUSPECT,
        Kind.GRAVITY_IMPLAUSIBLE,
    }
)
_BATTERY: Final = frozenset({Kind.BATTERY_LOW, Kind.BATTERY_WILL_NOT_LAST})


def as_of(
    alert: Alert,
    estimate: Estimate | None,
    last: Reading | None,
    probe: ProbeReading | None,
    *,
    now: datetime,
    fahrenheit: bool,
) -> str:
    """``4 days ago; now 15.4 °C``: since when an open alert's numbers stand, and what they are by now.

    Empty within the hour. Without the present value where none is known, or it is as old as the alert.
    """
    if now - alert.time < SAME_FOR:
        return ""
    known = _value(alert, estimate, last, probe, fahrenheit=fahrenheit)
    told = words.ago(alert.time, now)
    if known is None or known[1] <= alert.time:
        return told
    value, time = known
    return f"{told}; last {value}, {words.ago(time, now)}" if words.is_stale(time, now) else f"{told}; now {value}"


def _value(
    alert: Alert, estimate: Estimate | None, last: Reading | None, probe: ProbeReading | None, *, fahrenheit: bool
) -> tuple[str, datetime] | None:
    """The value and the time it was measured."""
    if alert.cause == DISAGREE:
        if last is None or probe is None:
            return None
        float_c, probe_c = (words.temperature(each.temperature_c, fahrenheit=fahrenheit) for each in (last, probe))
        return f"{float_c} and {probe_c}", min(last.time, probe.time)
    if alert.kind in _WARMTH and estimate is not None:
        return words.temperature(estimate.temperature_c, fahrenheit=fahrenheit), estimate.time
    if alert.kind in _GRAVITY and estimate is not None:
        return words.gravity(estimate.gravity_sg), estimate.time
    if alert.kind in _BATTERY and last is not None and (charge := words.battery(last)):
        return charge, last.time
    return None
