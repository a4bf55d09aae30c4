"""One reading of one float that came over several receivers, such as a radio here and a bridge to a broker. Pure.

Adapters of this machine are compared before this, packet by packet: `collector.echoes`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Final

from collector.packet import Packet
from gylewatch.values import FloatId, Reading

WINDOW: Final = timedelta(seconds=3)
# Between two arrivals of what was measured once: the radio waits a second for echoes, a bridge may take as long.
_SAME: Final = 1e-6  # relative: a bridge may have turned degrees into radians and back


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """The newest reading of one float, as it is stored, and over which receiver it came."""

    reading: Reading
    receiver: tuple[str, str]
    stamped: bool  # on arrival: the float said no time


def keep(kept: Mapping[FloatId, Kept], packet: Packet, reading: Reading) -> tuple[Mapping[FloatId, Kept], bool]:
    """Take one reading.

    Parameters
    ----------
    kept : by float; starts empty
    packet : where the reading came from

    Returns
    -------
    What is kept, and whether the reading is new. One that is not has at most improved the signal of the kept one.
    """
    new = Kept(reading=reading, receiver=(packet.source, packet.receiver), stamped=reading.time == packet.received)
    before = kept.get(reading.float_id)
    if before is None or not _is_same(before, new):
        return {**kept, reading.float_id: new}, True
    if not _is_better(reading.rssi_dbm, before.reading.rssi_dbm):
        return kept, False
    better = replace(before, reading=replace(before.reading, rssi_dbm=reading.rssi_dbm))
    return {**kept, reading.float_id: better}, False


def _is_same(before: Kept, new: Kept) -> bool:
    first, second = before.reading, new.reading
    if before.receiver == new.receiver or before.stamped != new.stamped:
        return False
    if not math.isclose(first.angle_deg, second.angle_deg, rel_tol=_SAME, abs_tol=_SAME):
        return False
    if not math.isclose(first.temperature_c, second.temperature_c, rel_tol=_SAME, abs_tol=_SAME):
        return False
    return abs(first.time - second.time) <= (WINDOW if new.stamped else timedelta(0))


def _is_better(rssi_dbm: int | None, than_dbm: int | None) -> bool:
    return rssi_dbm is not None and (than_dbm is None or rssi_dbm > than_dbm)
