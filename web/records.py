"""What several routes ask of the store."""

from __future__ import annotations

from collections.abc import Sequence

from calibration.hydrometry import HandGravity, hand_gravity
from fermentation.estimate import Estimate
from gylewatch.errors import GylewatchError
from gylewatch.values import Batch, Sample
from storage.records import BatchRecord
from storage.store import Store
from web.graph import Graph, graph


def corrected(batch: Batch, sample: Sample) -> HandGravity | None:
    """The gravity that a hand sample stands for; None where no correction covers it."""
    try:
        return hand_gravity(sample, original_gravity_sg=batch.original_gravity_sg)
    except GylewatchError:
        return None


def batch_graph(store: Store, record: BatchRecord, estimates: Sequence[Estimate]) -> Graph:
    """What the picture of a batch shows: its `estimates` and, from the store, all else."""
    points = (corrected(record.batch, sample) for _, sample in store.samples(record.batch_id))
    return graph(
        record.batch,
        estimates,
        tuple(point for point in points if point is not None),
        tuple(alert.alert for alert in store.alerts(record.batch_id)),
    )
