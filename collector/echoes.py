"""Echoes: an advertisement heard by several receivers, or several times, becomes one packet with the best signal.

Pure. Each advertisement waits for a moment in which other receivers may report it too.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from collector.packet import Packet

WINDOW = timedelta(seconds=1)
# Receivers hear the same radio event within milliseconds; over the network it may take some hundred. A fermentation
# does not notice a second.

Waiting = Mapping[tuple[str, bytes], Packet]
"""What waits, by sender and content, in order of first arrival."""


def hear(waiting: Waiting, packet: Packet) -> Waiting:
    """`waiting` with `packet`: the first arrival gives the time, the best signal is kept."""
    key = (packet.origin, packet.payload)
    first = waiting.get(key)
    if first is None:
        return {**waiting, key: packet}
    if packet.rssi_dbm is None or (first.rssi_dbm is not None and first.rssi_dbm >= packet.rssi_dbm):
        return waiting
    better = Packet(
        source=first.source,
        origin=first.origin,
        payload=first.payload,
        received=first.received,
        rssi_dbm=packet.rssi_dbm,
    )
    return {**waiting, key: better}


def due(waiting: Waiting, now: datetime) -> tuple[Waiting, tuple[Packet, ...]]:
    """What still waits, and the packets whose window is over; all of them when the clock was set back."""
    ready = {key: packet for key, packet in waiting.items() if not timedelta(0) <= now - packet.received < WINDOW}
    return {key: packet for key, packet in waiting.items() if key not in ready}, tuple(ready.values())
