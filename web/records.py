"""What several routes ask of the store."""

from __future__ import annotations

from calibration.hydrometry import HandGravity, batch_gravity
from gylewatch.errors import AboveOriginal, GylewatchError
from gylewatch.values import Batch, ProbeReading, Sample
from storage.records import BatchRecord
from storage.store import Store
from web.graph import NO_PROBE, PROBE_POINTS, SCREEN_POINTS, Graph, graph


def corrected(batch: Batch, sample: Sample) -> HandGravity | None:
    """The gravity that a hand sample stands for; None where no correction covers it, or it cannot be this beer's."""
    found = corrected_or_why_not(batch, sample)
    return found if isinstance(found, HandGravity) else None


def corrected_or_why_not(batch: Batch, sample: Sample) -> HandGravity | str:
    """The gravity that a hand sample stands for, or in a few words why it stands for none and changes no estimate."""
    try:
        return batch_gravity(batch, sample)
    except AboveOriginal:
        return "far above the original gravity: not used"
    except GylewatchError:
        return "outside the tables: not used"


def latest_probe_reading(store: Store, record: BatchRecord) -> ProbeReading | None:
    """What the vessel's own probe said last during the batch."""
    batch = record.batch
    found = store.probe_readings(batch.vessel, since=batch.pitched, until=record.ended, limit=1)
    return found[0] if found else None


def batch_graph(store: Store, record: BatchRecord) -> Graph:
    """What the picture of a batch shows, read from the store."""
    points = (corrected(record.batch, sample) for _, sample in store.samples(record.batch_id))
    course = store.course(record.batch_id, at_most=SCREEN_POINTS)
    probe = NO_PROBE
    if course.estimates:
        since, vessel = course.estimates[0].time, record.batch.vessel
        probe = store.probe_course(vessel, at_most=PROBE_POINTS, since=since, until=record.ended)
    samples = tuple(point for point in points if point is not None)
    return graph(record.batch, course.estimates, samples, course.gaps, probe)
