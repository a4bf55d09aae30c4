"""How a float rocks: one that sticks to the wall or in the foam hangs stiller than it ever does in beer."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

from gylewatch.copying import replace

READINGS = 6
# Their span tells how much the float moves
WORKING_SPAN = 2.5
# So many times as much as in calm beer it moves while the beer works (seen in simulators of several hands; no source)
GAIN, LEARNT_FROM = 0.015, 6
# What is usual follows some dozens of spans, and is known from the sixth on
STUCK_SHARE, STUCK_LOG_SD = 0.25, 0.55
FREE_SHARE, FREE_LOG_SD = 0.75, 0.5
# Spans as shares of the usual one in calm beer: of a float that sticks, and of one in a beer that has come to rest,
# which is calmer still than wort before it starts. One span often misleads, some together seldom do
LEAST_SHARE, MOST_FOR_ONE = 0.05, 4.5
LOOSE_SHARE = 3.0
# What moves as much as this is free, whatever it did before
SCORE = (-4.0, 3.0)


@dataclass(frozen=True)
class Rocking:
    """The last angles, what their span usually is, and how much speaks for a float that sticks."""

    recent_deg: tuple[float, ...] = ()
    calm_deg: float = 0.0  # usual span in beer that does not work
    calm_spans: int = 0  # how many that was learnt from
    working_deg: float = 0.0  # usual span while it works
    working_spans: int = 0
    score: float = SCORE[0]  # logarithm of the odds

    @property
    def sticks(self) -> bool:
        """Whether the float seems to stick."""
        return self.score > 0.0

    def after(self, angle_deg: float, *, works: bool) -> Rocking:
        """With one more angle; `works`: the beer does, as far as is believed.

        Source: a sequential probability ratio test (Wald, Ann. Math. Stat. 16, 117-186, 1945), held between bounds so
        that it can change its mind.
        """
        recent = (*self.recent_deg[1 - READINGS :], angle_deg)
        if len(recent) < READINGS:
            return replace(self, recent_deg=recent)
        ordered = sorted(recent)
        # One angle may be far off: a wild packet is no motion.
        span = min(ordered[-2] - ordered[0], ordered[-1] - ordered[1])
        moved = replace(self, recent_deg=recent, score=self._score(span, works=works))
        # While there is any doubt, what is learnt might be the span of a float that sticks.
        return moved if moved.score > SCORE[0] else moved._learnt(span, works=works)

    def _usual_deg(self) -> float | None:
        """The usual span in calm beer; None where it is not known yet."""
        if self.working_spans < LEARNT_FROM:
            return self.calm_deg if self.calm_spans >= LEARNT_FROM else None
        least, most = self.working_deg / WORKING_SPAN, self.working_deg
        return min(max(self.calm_deg, least), most) if self.calm_spans >= LEARNT_FROM else least

    def _score(self, span_deg: float, *, works: bool) -> float:
        usual_deg = self._usual_deg()
        # In a beer that has come to rest, as far as is believed, there is nothing strange in a float that hangs still.
        if usual_deg is None or span_deg > LOOSE_SHARE * usual_deg or not works:
            return SCORE[0]
        share = log(max(span_deg / usual_deg, LEAST_SHARE))
        stuck = ((share - log(STUCK_SHARE)) / STUCK_LOG_SD) ** 2 + 2.0 * log(STUCK_LOG_SD)
        free = ((share - log(FREE_SHARE)) / FREE_LOG_SD) ** 2 + 2.0 * log(FREE_LOG_SD)
        # Neighbouring spans have all but one angle in common.
        gain = min(max(0.5 * (free - stuck), -MOST_FOR_ONE), MOST_FOR_ONE) / READINGS
        return min(max(self.score + gain, SCORE[0]), SCORE[1])

    def _learnt(self, span_deg: float, *, works: bool) -> Rocking:
        if works:
            usual = _followed(self.working_deg, self.working_spans, span_deg)
            return replace(self, working_deg=usual, working_spans=self.working_spans + 1)
        usual = _followed(self.calm_deg, self.calm_spans, span_deg)
        return replace(self, calm_deg=usual, calm_spans=self.calm_spans + 1)


def _followed(usual_deg: float, count: int, span_deg: float) -> float:
    """The median of the spans, followed step by step; never nothing."""
    if not count:
        return max(span_deg, 1e-3)
    gain = max(GAIN, 1.0 / (count + 1.0))
    return max(usual_deg * exp(gain if span_deg > usual_deg else -gain), 1e-3)
