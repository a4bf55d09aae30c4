"""Duties: what is done at every tick, each for itself, so that one that fails does not keep the others from theirs."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import structlog

from gylewatch.errors import GylewatchError

_log = structlog.get_logger(__name__)


class Duties:
    """Run in order, from one thread.

    Parameters
    ----------
    duties : by what each is for, in words that complete "failed:", e.g. ``judging silence``
    """

    def __init__(self, duties: Mapping[str, Callable[[], None]]) -> None:
        self._duties = dict(duties)
        self._problems: dict[str, str] = {}

    def run(self) -> None:
        """Do all of them; never raises. What fails is logged, shown, and done again at the next call."""
        for purpose, duty in self._duties.items():
            try:
                duty()
            except GylewatchError as error:
                self._report(purpose, f"{purpose} failed and is tried again: {error}")
            except Exception:
                _log.exception("a regular duty failed", duty=purpose)
                self._report(purpose, f"{purpose} failed and is tried again; the log has the details")
            else:
                self._problems.pop(purpose, None)

    def problems(self) -> tuple[str, ...]:
        """One sentence for each duty that failed when it was last done; any thread."""
        return tuple(self._problems.copy().values())

    def _report(self, purpose: str, problem: str) -> None:
        if self._problems.get(purpose) != problem:
            self._problems[purpose] = problem
            _log.warning("problem", problem=problem)
