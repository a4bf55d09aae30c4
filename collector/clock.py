"""Clock: whether the machine's time can be believed, and what a packet's arrival was in true time. Pure.

A board without a clock battery starts in the past. Until its clock is right, packets are held, not stamped; then their
arrival is counted back from now by the monotonic clock, which never steps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from collector.packet import Packet

RELEASED = datetime(2026, 1, 1, tzinfo=UTC)
# No service of this version ran before: an earlier time is a clock that was never set.


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
