"""Settling: whether the silence of floats means anything yet, after a start or an outage. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from gylewatch.outages import Receiver

SETTLING: Final = timedelta(hours=1)
# After a start, or after a broker came back, the floats' waiting messages arrive, and floats that keep none report at
# their next turn (every 15 to 60 minutes: common practice, no source); only then silence means anything.
SHORT: Final = timedelta(minutes=5)
# A restart of a broker is over sooner, and costs a float one turn at most: silence is counted on in hours.
RECEIVER_PATIENCE: Final = timedelta(hours=6)
# While the only broker or radio is away no float is blamed for it: the outage is told once (gylewatch.outages). Where
# another one still works, the silence of floats is judged again after this long, because a float may use that one.
MOST_SUPPRESSED: Final = timedelta(hours=6)
# Of time in which something worked: a broker that comes and goes must not keep a silent float from being told for ever.
_LONGEST_STEP: Final = timedelta(minutes=10)  # between two looks; a machine that slept has heard nothing meanwhile


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    works: bool
    since: datetime
    settles_from: datetime  # the end of its last long outage


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """What was seen of the receivers so far."""

    started: datetime
    looked: datetime | None = None
    suppressed: timedelta = timedelta(0)  # since silence was last judged, without the time when nothing worked
    seen: Mapping[str, _Seen] = field(default_factory=dict)


def look(
    settling: Settling, receivers: Sequence[Receiver], now: datetime, *, storing: Receiver | None = None
) -> tuple[Settling, bool]:
    """What is known after a look at `receivers`, and whether silence should not be judged yet.

    Parameters
    ----------
    settling : from the look before
    receivers : every one in the configuration
    now : aware, UTC
    storing : what every reading needs once it has arrived, where it works: after hours without it a broker still has
        the most of what the floats said meanwhile
    """
    needed = [*receivers, storing] if storing is not None else receivers
    seen = {each.cause: _next(settling, each) for each in needed}
    works = any(receiver.works for receiver in receivers)
    away = bool(receivers) and not works
    unsettled = away or any(_is_unsettled(each, now) for each in seen.values())
    step = min(max(now - (settling.looked or now), timedelta(0)), _LONGEST_STEP)
    suppressed = settling.suppressed if unsettled else timedelta(0)
    if away and all(now - seen[each.cause].since >= RECEIVER_PATIENCE for each in receivers):
        suppressed = timedelta(0)  # whoever comes back after so long has much to hear first
    elif unsettled and works:
        suppressed += step
    after = Settling(started=settling.started, looked=now, suppressed=suppressed, seen=seen)
    capped = suppressed >= MOST_SUPPRESSED
    return after, now - settling.started < SETTLING or away or (unsettled and not capped)


def _next(settling: Settling, receiver: Receiver) -> _Seen:
    before = settling.seen.get(receiver.cause)
    if before is None:
        return _Seen(works=receiver.works, since=receiver.since, settles_from=receiver.since)
    since, settles_from = receiver.since, before.settles_from
    if receiver.works:
        # Two connections with none of the loss between them seen: it was lost after the last look at the earliest.
        lost = settling.looked if before.works else before.since
        if since != before.since and lost is not None and since - lost > SHORT:
            settles_from = since
    elif not before.works:
        since = min(since, before.since)  # it came and went between two looks
    return _Seen(works=receiver.works, since=since, settles_from=settles_from)


def _is_unsettled(seen: _Seen, now: datetime) -> bool:
    if seen.works:
        return now - seen.settles_from < SETTLING
    return now - seen.since < RECEIVER_PATIENCE
