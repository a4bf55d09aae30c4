"""UnknownFloats: keeps what floats say that nobody has added, so that the user sees them and can add them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from collector.heard import HeardFloat
from storage.store import Store


class UnknownFloats:
    """One thread only."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._kept: dict[str, tuple[int, datetime]] = {}  # packets and time when they were last kept

    def keep(self, heard: Sequence[HeardFloat]) -> None:
        """Keep what is new in `heard`, which is everything that the collector remembers."""
        before = self._kept
        # What the collector has forgotten is forgotten here too: it counts anew, and made-up names fill no memory.
        self._kept = {each.name: before[each.name] for each in heard if each.name in before}
        for each in heard:
            packets, last = before.get(each.name, (0, None))
            if last == each.last:
                continue
            # Forgotten and heard again between two looks.
            new = each.packets - packets if each.packets > packets else each.packets
            self._store.heard(
                each.name,
                source=each.source,
                time=each.last,
                rssi_dbm=each.rssi_dbm,
                packets=new,
                values={
                    "angle_deg": each.angle_deg,
                    "temperature_c": each.temperature_c,
                    "battery_v": each.battery_v,
                },
            )
            self._kept[each.name] = (each.packets, each.last)
