"""The daily summary of every active batch, in plain text. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Final

from alerts.alert import Alert, Severity
from alerts.notice import ServiceNotice, digest_cause
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
    waiting = sum(len(batch.open_alerts) for batch in batches)
    alerts = counted(waiting, "open alert") if waiting else "no open alerts"
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
        lines += _believed(batch.estimate, now, zone)
    lines += [f"{alert.severity.value}: {alert.summary}" for alert in batch.open_alerts]
    return "\n".join(lines)


def _believed(estimate: Estimate, now: datetime, zone: tzinfo) -> list[str]:
    lines = [
        f"{estimate.phase}: gravity {estimate.gravity_sg:.4f} "
        f"({estimate.gravity_low_sg:.4f} to {estimate.gravity_high_sg:.4f}), "
        f"falls by {estimate.rate_points_per_day:.1f} points a day",
        f"attenuation {100 * estimate.apparent_attenuation:.0f} %, {estimate.abv_percent:.1f} % alcohol by volume, "
        f"{estimate.temperature_c:.1f} °C",
    ]
    if estimate.forecast is not None:
        lines.append(_forecast(estimate.forecast, zone))
    if now - estimate.time > STALE:
        lines.append(f"as of {_clock(estimate.time, zone)}; nothing newer was heard")
    return lines


def _forecast(forecast: Forecast, zone: tzinfo) -> str:
    text = (
        f"expected to end at {forecast.final_gravity_sg:.4f} "
        f"({forecast.final_gravity_low_sg:.4f} to {forecast.final_gravity_high_sg:.4f})"
    )
    return (
        text
        if forecast.finish_time is None
        else f"{text}, about {_clock(to_the_hour(forecast.finish_time, zone), zone)}"
    )


def _clock(time: datetime, zone: tzinfo) -> str:
    return time.astimezone(zone).strftime("%a %d %b %H:%M")
