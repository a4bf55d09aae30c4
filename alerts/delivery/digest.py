"""The daily summary of every active batch, in plain text. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Final

from alerts.alert import Alert, Kind, Severity, Subject
from alerts.news import wants_room
from alerts.notice import ServiceNotice, digest_cause
from alerts.phase_words import phase_in_words
from fermentation.estimate import Estimate, Forecast
from gylewatch.counting import counted
from gylewatch.finish_time import to_the_hour

STALE: Final = timedelta(hours=12)  # longer than any float's interval; older numbers must not pass for today's


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSummary:
    """What is known of one active batch."""

    name: str
    estimate: Estimate | None
    open_alerts: tuple[Alert, ...] = ()
    seen: frozenset[Subject] = frozenset()  # those of them that a person has acknowledged


def daily_summary(
    channel: str, batches: Sequence[BatchSummary], outages: Sequence[ServiceNotice], *, slot: datetime, zone: tzinfo
) -> ServiceNotice | None:
    """The summary for one channel, or None where no batch is active.

    Parameters
    ----------
    slot : the time of the summary, UTC; one channel gets one summary for each slot
    zone : of the times in the text
    """
    if not batches:
        return None
    # What is merely to know asks nothing of anybody.
    waiting = sum(each.severity is not Severity.INFO for batch in batches for each in batch.open_alerts)
    alerts = counted(waiting, "open warning") if waiting else "no open warnings"
    heading = f"Today: {counted(len(batches), 'batch', 'batches')}, {alerts}"
    parts = [_batch(batch, slot, zone) for batch in batches]
    parts += [f"Since {_clock(outage.time, zone)}: {outage.title}." for outage in outages]
    return ServiceNotice(
        time=slot,
        cause=digest_cause(channel),
        severity=Severity.INFO,
        title=heading,
        text="\n\n".join(parts),
    )


def _batch(batch: BatchSummary, now: datetime, zone: tzinfo) -> str:
    lines = [batch.name]
    if batch.estimate is None:
        lines.append("nothing heard yet")
    else:
        told = any(alert.kind is Kind.FERMENTATION_FINISHED for alert in batch.open_alerts)
        lines += _believed(batch.estimate, now, zone, told=told)
    # When, because the numbers in it are of then.
    lines += [
        f"{alert.severity.value} since {_clock(alert.time, zone)}: {alert.summary}"
        for alert in batch.open_alerts
        if wants_room(alert, now, seen=alert.subject in batch.seen)
    ]
    return "\n".join(lines)


def _believed(estimate: Estimate, now: datetime, zone: tzinfo, *, told: bool) -> list[str]:
    lines = [
        f"{phase_in_words(estimate.phase, told=told)}: gravity {estimate.gravity_sg:.4f} "
        f"({estimate.gravity_low_sg:.4f} to {estimate.gravity_high_sg:.4f}), "
        f"falls by {estimate.rate_points_per_day:.1f} points a day",
        f"attenuation {_attenuation(estimate)}, {_alcohol(estimate)} alcohol by volume, "
        f"{estimate.temperature_c:.1f} °C",
    ]
    if estimate.forecast is not None:
        lines.append(_forecast(estimate.forecast, now, zone))
    if now - estimate.time > STALE:
        lines.append(f"as of {_clock(estimate.time, zone)}; nothing newer was heard")
    return lines


def _attenuation(estimate: Estimate) -> str:
    low, high = estimate.apparent_attenuation_low, estimate.apparent_attenuation_high
    between = "" if low is None or high is None else f" ({100 * low:.0f} to {100 * high:.0f})"
    return f"{100 * estimate.apparent_attenuation:.0f} %{between}"


def _alcohol(estimate: Estimate) -> str:
    low, high = estimate.abv_low_percent, estimate.abv_high_percent
    between = "" if low is None or high is None else f" ({low:.1f} to {high:.1f})"
    return f"{estimate.abv_percent:.1f} %{between}"


def _forecast(forecast: Forecast, now: datetime, zone: tzinfo) -> str:
    text = (
        f"expected to end at {forecast.final_gravity_sg:.4f} "
        f"({forecast.final_gravity_low_sg:.4f} to {forecast.final_gravity_high_sg:.4f})"
    )
    if forecast.finish_time is None or forecast.finish_time <= now:  # of a beer at rest it may lie days back
        return text
    text += f", about {_hour(forecast.finish_time, zone)}"
    if forecast.finish_low is None or forecast.finish_high is None:
        return text
    return f"{text} ({_hour(forecast.finish_low, zone)} to {_hour(forecast.finish_high, zone)})"


def _hour(time: datetime, zone: tzinfo) -> str:
    return _clock(to_the_hour(time, zone), zone)


def _clock(time: datetime, zone: tzinfo) -> str:
    return time.astimezone(zone).strftime("%a %d %b %H:%M")
