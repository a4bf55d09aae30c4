"""Whether the clock is believed from one look to the next, and how often it was set."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from collector.clock import ClockRule
from collector.timekeeper import Timekeeper

NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)


class Board:
    """A machine whose clock a test sets."""

    def __init__(self) -> None:
        self.passed_s = 0.0
        self.wrong_by = timedelta(0)
        self.synchronised = True

    def timekeeper(self, rule: ClockRule) -> Timekeeper:
        return Timekeeper(
            rule,
            now=lambda: NOON + timedelta(seconds=self.passed_s) + self.wrong_by,
            steady=lambda: self.passed_s,
            synchronised=lambda: self.synchronised,
            vouched=lambda: self.synchronised,
        )


def test_a_clock_that_network_time_sets_after_the_start_counts_as_set() -> None:
    board = Board()
    board.synchronised, board.wrong_by = False, timedelta(hours=-10)
    keeper = board.timekeeper(ClockRule(network_time=True))

    before = keeper.look()
    board.synchronised, board.wrong_by, board.passed_s = True, timedelta(0), 30.0
    after = keeper.look()

    assert before is not None
    assert (after, keeper.leaps) == (None, 1)


def test_a_clock_that_was_never_wrong_was_not_set() -> None:
    board = Board()
    keeper = board.timekeeper(ClockRule(network_time=True))

    for board.passed_s in (0.0, 30.0, 60.0):
        assert keeper.look() is None

    assert keeper.leaps == 0


def test_a_clock_that_network_time_has_set_is_believed_when_the_network_is_away_for_long() -> None:
    board = Board()
    keeper = board.timekeeper(ClockRule(network_time=True))
    keeper.look()

    board.synchronised, board.passed_s = False, 40_000.0

    assert (keeper.look(), keeper.leaps) == (None, 0)
