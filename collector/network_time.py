"""Whether network time has set this machine's clock. Shell; Linux."""

from __future__ import annotations

import ctypes
from pathlib import Path

_MARK = Path("/run/systemd/timesync/synchronized")  # made by systemd-timesyncd, see systemd-timesyncd.service(8)
_TIME_ERROR = 5  # adjtimex(2): "clock not synchronized"
_TIMEX_BYTES = 512  # struct timex has 208 on 64-bit Linux; a zeroed one asks and changes nothing


def is_synchronised() -> bool:
    """Ask the system; False where it cannot be known."""
    return _MARK.exists() or kernel_is_synchronised()


def kernel_is_synchronised() -> bool:
    """Ask the kernel alone: it no longer says so once somebody has set the clock by hand (adjtimex(2), STA_UNSYNC)."""
    try:
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    except (OSError, AttributeError):
        return False
    return 0 <= int(state) < _TIME_ERROR
