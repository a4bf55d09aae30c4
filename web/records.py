"""What several routes ask of the store."""

from __future__ import annotations

import math
from datetime import timedelta

from calibration.hydrometry import HandGravity, hand_gravity
from fermentation.estimate import Estimate
from gylewatch.errors import GylewatchError
from gylewatch.values import Batch, Sample
from storage.records import BatchRecord
from storage.store import Store
from web.graph import SCREEN_POINTS, Graph, graph, thin

# Each window keeps at least eight points: its ends and its extremes.
MOST_WINDOWS = SCREEN_POINTS // 8


def corrected(batch: Batch, sample: Sample) -> HandGravity | None:
    """The gravity that a hand sample stands for; None where no correction covers it."""
    try:
        return hand_gravity(sample, original_gravity_sg=batch.original_gravity_sg)
    except GylewatchError:
        return None


def course(store: Store, record: BatchRecord) -> tuple[Estimate, ...]:
    """The estimates of a batch, thinned for a screen.

    They are read and thinned a window at a time: two months of estimates at one a minute are 86,400, which all at once
    would take more memory than the rest of the service.
    """
    first = store.estimates(record.batch_id, until=record.batch.pitched, limit=MOST_WINDOWS)
    latest = store.latest_estimate(record.batch_id)
    if latest is None:
        return ()
    start = record.batch.pitched
    days = (latest.time - start) / timedelta(days=1)
    windows = min(MOST_WINDOWS, max(1, math.ceil(days)))
    width = max(latest.time - start, timedelta(0)) / windows
    rows = list(thin(first, 8))
    for window in range(windows):
        since = start + window * width
        # The last window is open, so that the latest estimate, which lies on its end, is in it.
        until = since + width if window < windows - 1 else None
        rows += thin(store.estimates(record.batch_id, since=since, until=until), SCREEN_POINTS // windows)
    return thin(rows, SCREEN_POINTS)


def batch_graph(store: Store, record: BatchRecord) -> Graph:
    """What the picture of a batch shows, read from the store."""
    points = (corrected(record.batch, sample) for _, sample in store.samples(record.batch_id))
    return graph(record.batch, course(store, record), tuple(point for point in points if point is not None))
