"""The phase, from the posterior's probabilities."""

from __future__ import annotations

import pytest

from fermentation.estimate import Phase
from fermentation.phase import phase_of


@pytest.mark.parametrize(
    ("believed", "since_finish", "phase"),
    [
        ((0.1, 0.9, 0.0, 0.0), None, Phase.LAG),
        ((0.9, 0.0, 0.0, 0.3), None, Phase.ACTIVE),
        ((1.0, 0.1, 0.2, 0.9), None, Phase.SLOWING),
        ((1.0, 0.9, 0.9, 1.0), None, Phase.FINISHED),
        ((1.0, 0.9, 0.9, 1.0), 71.0, Phase.FINISHED),
        ((1.0, 0.9, 0.9, 1.0), 73.0, Phase.CONDITIONING),
        ((1.0, 0.9, 0.1, 0.6), None, Phase.STALLED),
    ],
)
def test_the_phase_follows_from_what_is_believed(
    believed: tuple[float, float, float, float], since_finish: float | None, phase: Phase
) -> None:
    started, still, attenuated, done = believed

    assert (
        phase_of(
            probability_started=started,
            probability_still=still,
            probability_attenuated=attenuated,
            share_done=done,
            hours_since_finish=since_finish,
        )
        is phase
    )
