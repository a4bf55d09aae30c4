"""What people are told of a phase. Pure."""

from __future__ import annotations

from typing import Final

from fermentation.estimate import Phase

PHASE_WORDS: Final = {
    Phase.LAG: "not started yet",
    Phase.ACTIVE: "fermenting",
    Phase.SLOWING: "slowing down",
    Phase.FINISHED: "at rest",  # "finished" is a verdict, see `phase_in_words`
    Phase.STALLED: "stalled",
    Phase.CONDITIONING: "conditioning",
}


def phase_in_words(phase: Phase, *, told: bool) -> str:
    """The word for the phase; what merely looks finished is at rest until "finished" is `told`."""
    if phase.is_over and not told:
        return PHASE_WORDS[Phase.FINISHED]
    return "finished" if phase is Phase.FINISHED else PHASE_WORDS[phase]
