"""Wait for what another process or thread does: bounded, and with a sentence when it did not happen."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest


def eventually(what: str, condition: Callable[[], object], timeout_s: float = 15.0) -> None:
    """Return as soon as `condition` holds; fail the test after `timeout_s`."""
    end = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > end:
            pytest.fail(f"within {timeout_s:g} s it did not happen that {what}")
        time.sleep(0.01)
