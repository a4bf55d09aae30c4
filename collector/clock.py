"""Clock: whether the machine's time can be believed, and what a packet's arrival was in true time. Pure.

A board without a clock battery starts in the past. Until its clock is right, packets are held, not stamped; then their
arrival is counted back from now by the steady clock, which never steps. The same holds while the service runs: when the
clock leaps, either the time before or the time after is wrong, and packets are held until it is known which.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final

from collector.packet import Packet

RELEASED = datetime(2026, 1, 1, tzinfo=UTC)
# No service of this version ran before: an earlier time is a clock that was never set.

STEP_S: Final = 10.0
# A smaller step matters to no fermentation, and no crystal runs so far away between two looks.
STANDS_S: Final = 600.0
# So long a clock that has leapt must run evenly before it is believed without network time: whoever set it wrong by
# hand sees it and sets it again; and floats report every 15 to 60 minutes (common practice, no source): few are held.


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockRule:
    """When the machine's clock is believed."""

    not_before: datetime = RELEASED
    network_time: bool = (
        False  # also wait until the system says that network time has set it; for boards without battery
    )


DEFAULT_RULE = ClockRule()


def clock_problem(rule: ClockRule, now: datetime, *, synchronised: bool) -> str | None:
    """Why `now` is not believed, in one sentence with the remedy; None when it is."""
    shown = now.replace(microsecond=0, tzinfo=None).isoformat() + "Z"
    if now < rule.not_before:
        return f"this machine's clock says {shown}, which cannot be; readings are held until it is set (timedatectl)"
    if rule.network_time and not synchronised:
        return f"network time has not set this machine's clock ({shown}) yet; readings are held until it has"
    return None


def restamped(packet: Packet, *, now: datetime, waited_s: float) -> Packet:
    """`packet` with its arrival counted back from `now`.

    Parameters
    ----------
    now : aware, UTC; from a clock that is believed by now
    waited_s : seconds on the monotonic clock since the packet arrived
    """
    return replace(packet, received=now - timedelta(seconds=max(0.0, waited_s)))


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockWatch:
    """What was seen of the clock. An offset is the clock's time (s since 1970) less the steady clock's."""

    kept: float | None = None  # the offset that is believed; None: none was yet
    leapt_to: float | None = None  # the offset since a leap that is not believed yet
    since_s: float = 0.0  # on the steady clock: when it leapt there
    leaps: int = 0  # that came to be believed


def watch_clock(watch: ClockWatch, now: datetime, steady_s: float, *, vouched: bool) -> tuple[ClockWatch, str | None]:
    """What is known after a look at the clock, and why it is not believed; None when it is.

    Parameters
    ----------
    watch : from the look before
    now : aware, UTC; what the clock says
    steady_s : what the steady clock says at the same time
    vouched : network time says that the clock is right
    """
    offset = now.timestamp() - steady_s
    if watch.kept is None or abs(offset - watch.kept) <= STEP_S:
        return replace(watch, kept=offset, leapt_to=None), None
    stays = watch.leapt_to is not None and abs(offset - watch.leapt_to) <= STEP_S
    if vouched or (stays and steady_s - watch.since_s >= STANDS_S):
        return ClockWatch(kept=offset, leaps=watch.leaps + 1), None
    since_s = watch.since_s if stays else steady_s
    way = "ahead" if offset > watch.kept else "back"
    leap = timedelta(seconds=round(abs(offset - watch.kept)))
    problem = (
        f"this machine's clock leapt {way} by {leap}; readings are held until network time says that it is right, "
        f"until it leaps back, or until it has run on for {STANDS_S / 60:.0f} minutes: check it (timedatectl)"
    )
    return replace(watch, leapt_to=offset, since_s=since_s), problem


def time_of(offset: float, steady_s: float) -> datetime:
    """The time at which the steady clock said `steady_s`."""
    return datetime.fromtimestamp(offset + steady_s, UTC)
