"""Routine: a thread of its own that sleeps until there is something to do."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod


class Routine(ABC):
    """Start and stop once.

    Parameters
    ----------
    name : of the thread
    stop_s : how long it may take to finish what is in hand when it is stopped
    """

    def __init__(self, name: str, *, stop_s: float) -> None:
        self._stop_s = stop_s
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Finish what is in hand, if it ends in time, and end."""
        self.ask_to_stop()
        self.wait(self._stop_s)

    def wait(self, seconds: float) -> None:
        """Wait so long at most for its end."""
        if self._thread.is_alive():
            self._thread.join(seconds)

    def ask_to_stop(self) -> None:
        """Let it finish what is in hand, and do not wait for it; any thread."""
        self._stopping.set()
        self._wake.set()

    @property
    def is_stopping(self) -> bool:
        """Whether it was asked to end; any thread."""
        return self._stopping.is_set()

    def wake(self) -> None:
        """Tell that there is something to do; any thread."""
        self._wake.set()

    @abstractmethod
    def _run(self) -> None:
        """Work until `_stopping` is set; wait on `_wake`."""
