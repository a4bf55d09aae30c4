"""Heard: floats that report but that nobody added, with their last values, so that the user can adopt them. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from collector.admit import BATTERY_RANGE_V, signal, signal_said, within
from collector.packet import Packet, Reason, Rejected, Source

MOST = 100  # shown and remembered; a made-up name in each packet must not fill the memory


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardFloat:
    """A float that is not known. Over Bluetooth its name is its hardware address."""

    name: str
    source: Source
    last: datetime
    packets: int
    angle_deg: float
    temperature_c: float
    rssi_dbm: int | None = None  # this and the battery only where they can be true; nobody has judged the two above
    battery_v: float | None = None


def note(heard: Mapping[str, HeardFloat], packet: Packet, refused: Rejected) -> Mapping[str, HeardFloat]:
    """`heard` with what `refused` tells, if it was refused because nobody added its float."""
    fields = refused.fields
    if refused.reason is not Reason.UNKNOWN_FLOAT or fields is None or refused.float_id is None:
        return heard
    name = refused.float_id
    before = heard.get(name)
    kept = {known: value for known, value in heard.items() if known != name}
    if len(kept) >= MOST:
        del kept[next(iter(kept))]  # the one not heard for longest
    kept[name] = HeardFloat(
        name=name,
        source=packet.source,
        last=packet.received,
        packets=1 + (before.packets if before is not None else 0),
        angle_deg=fields.angle_deg,
        temperature_c=fields.temperature_c,
        rssi_dbm=signal(signal_said(fields, packet)),
        battery_v=within(fields.battery_v, BATTERY_RANGE_V),
    )
    return kept
