"""The phase of a fermentation, from the posterior's probabilities."""

from __future__ import annotations

from fermentation.estimate import Phase

STARTED = 0.5
STILL = 0.7
ATTENUATED = 0.5
SLOWING_SHARE = 0.8
# past this share of the drop, or below half of the greatest rate behind the peak, it is slowing
CONDITIONING_HOURS = 72.0
# two to three days of a standing gravity end the fermentation proper (common practice, no source)


def phase_of(
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
    probability_started, probability_still, probability_attenuated : as in `Estimate`
    share_done : expected progress, 0..1
    hours_since_finish : hours since it was first held finished; None if it never was
    """
    if probability_started < STARTED:
        return Phase.LAG
    if probability_still > STILL:
        if probability_attenuated < ATTENUATED:
            return Phase.STALLED
        settled = hours_since_finish is not None and hours_since_finish > CONDITIONING_HOURS
        return Phase.CONDITIONING if settled else Phase.FINISHED
    return Phase.SLOWING if share_done > SLOWING_SHARE else Phase.ACTIVE
