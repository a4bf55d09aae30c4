"""The clock that never steps: for how long ago something was, never for what time it is. Shell."""

from __future__ import annotations

import time
from typing import Final

# Linux counts on through a suspend with this one only (clock_gettime(2)); a laptop that slept has not stepped.
_CLOCK: Final = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def steady_s() -> float:
    """Seconds since the machine started."""
    return time.clock_gettime(_CLOCK)
