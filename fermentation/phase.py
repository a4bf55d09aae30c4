"""The phase of a fermentation, from the posterior's probabilities."""

from __future__ import annotations

from fermentation.estimate import Phase

STARTED = 0.5
STILL = 0.7
ATTENUATED = 0.5
SLOWING_SHARE = 0.8
# past this share of the drop it is slowing
LEAVES_BELOW = 0.2
# Each of these must fall so far below its limit before what it said is taken back, or the phase would flicker with the
# scatter of the readings
CONDITIONING_HOURS = 72.0
# two to three days of a standing gravity end the fermentation proper (common practice, no source)


def phase_of(
    before: Phase | None,
    *,
    probability_started: float,
    probability_still: float,
    probability_attenuated: float,
    share_done: float,
    hours_since_finish: float | None,
) -> Phase:
    """The phase.

    Parameters
    ----------
    before : what it was; None at first
    probability_started, probability_still, probability_attenuated : as in `Estimate`
    share_done : expected progress, 0..1
    hours_since_finish : hours since it was first held finished; None if it never was
    """
    if not _holds(probability_started, STARTED, held=before not in {None, Phase.LAG}):
        return Phase.LAG
    over = before is not None and before.is_over
    if _holds(probability_still, STILL, held=over or before is Phase.STALLED):
        if not _holds(probability_attenuated, ATTENUATED, held=over):
            return Phase.STALLED
        settled = hours_since_finish is not None and hours_since_finish > CONDITIONING_HOURS
        return Phase.CONDITIONING if settled else Phase.FINISHED
    late = _holds(share_done, SLOWING_SHARE, held=over or before is Phase.SLOWING)
    return Phase.SLOWING if late else Phase.ACTIVE


def _holds(value: float, limit: float, *, held: bool) -> bool:
    """Whether a limit is reached, or for what has reached it before, not left yet."""
    return value >= limit - (LEAVES_BELOW if held else 0.0)
