"""The newest readings of a float, from which its rest in a solution is judged."""

from __future__ import annotations

from datetime import datetime, timedelta

from gylewatch.values import FloatId, Reading
from storage.store import Store

LENGTH = timedelta(minutes=3)
# Long enough for five readings of a float that reports twice a minute, short enough to forget how it was put in.
_MOST = 600


def newest_window(
    store: Store, float_id: FloatId, now: datetime, *, since: datetime | None = None, length: timedelta = LENGTH
) -> tuple[Reading, ...]:
    """The readings of the last `length`, and of them only those after `since`.

    Parameters
    ----------
    since : when the float was put into this solution; what it said before is of another one
    """
    newest = store.readings(float_id, since=now - length, limit=_MOST)
    return newest if since is None else tuple(reading for reading in newest if reading.time > since)
