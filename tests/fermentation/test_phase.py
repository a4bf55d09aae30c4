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
            None,
            probability_started=started,
            probability_still=still,
            probability_attenuated=attenuated,
            share_done=done,
            hours_since_finish=since_finish,
        )
        is phase
    )


def phases(*believed: tuple[float, float, float, float]) -> list[Phase]:
    """The phases of one believed thing after another: started, still, attenuated, share done."""
    found: list[Phase] = []
    for started, still, attenuated, done in believed:
        found.append(
            phase_of(
                found[-1] if found else None,
                probability_started=started,
                probability_still=still,
                probability_attenuated=attenuated,
                share_done=done,
                hours_since_finish=None,
            )
        )
    return found


@pytest.mark.parametrize(
    ("before", "doubt", "gone", "phase", "after"),
    [
        ((0.5, 0.0, 0.0, 0.1), (0.35, 0.0, 0.0, 0.1), (0.2, 0.0, 0.0, 0.1), Phase.ACTIVE, Phase.LAG),
        ((1.0, 0.0, 0.0, 0.8), (1.0, 0.0, 0.0, 0.7), (1.0, 0.0, 0.0, 0.5), Phase.SLOWING, Phase.ACTIVE),
        ((1.0, 0.7, 0.9, 1.0), (1.0, 0.6, 0.9, 1.0), (1.0, 0.4, 0.9, 1.0), Phase.FINISHED, Phase.SLOWING),
        ((1.0, 0.9, 0.5, 1.0), (1.0, 0.9, 0.4, 1.0), (1.0, 0.9, 0.2, 1.0), Phase.FINISHED, Phase.STALLED),
        ((1.0, 0.7, 0.1, 0.6), (1.0, 0.6, 0.1, 0.6), (1.0, 0.4, 0.1, 0.6), Phase.STALLED, Phase.ACTIVE),
    ],
)
def test_the_phase_does_not_flicker(
    before: tuple[float, float, float, float],
    doubt: tuple[float, float, float, float],
    gone: tuple[float, float, float, float],
    phase: Phase,
    after: Phase,
) -> None:
    assert phases(before, doubt, gone, doubt) == [phase, phase, after, phases(doubt)[0]]
