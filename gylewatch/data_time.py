"""The clock of the data: what lies between two readings when nobody waits. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from gylewatch.values import Sample

TICK: Final = timedelta(minutes=10)
# How often the time that passes between two readings is judged. The live service ticks each minute; silence is
# counted in hours, so ten minutes find it in time at a tenth of the work.


def passed(clock: datetime | None, time: datetime, samples: list[Sample]) -> Iterator[datetime | Sample]:
    """The samples (taken off the end of `samples`) and ticks that lie between two readings, in order of time."""
    while True:
        tick = None if clock is None or clock + TICK >= time else clock + TICK
        if samples and samples[-1].time <= (tick or time):
            yield samples.pop()
        elif tick is not None:
            clock = tick
            yield tick
        else:
            return
