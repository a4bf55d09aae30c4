"""All instruments and the float of one batch beside each other: what page and command line both show."""

from __future__ import annotations

from calibration.anchoring import AROUND
from calibration.curve import Curve
from gylewatch.comparing import Beside, beside
from gylewatch.values import Reading
from storage.records import BatchRecord
from storage.store import Store
from web.records import corrected
from web.sample_form import EARLIEST


def compared(store: Store, record: BatchRecord) -> Beside | None:
    """The comparison of a batch; None where no hand sample of it can be corrected."""
    batch = record.batch
    hands = [hand for _, sample in store.samples(record.batch_id) if (hand := corrected(batch, sample))]
    # A time that is far from the batch's, from a database written before such were refused, has no reading near it.
    hands = [hand for hand in hands if hand.time + EARLIEST >= batch.pitched]
    if not hands:
        return None
    readings: dict[object, Reading] = {}  # samples drawn together share theirs
    for time in sorted({hand.time for hand in hands}):
        near = store.readings(batch.float_id, since=time - AROUND, until=time + AROUND)
        readings.update((reading.time, reading) for reading in near)
    return beside(
        hands,
        tuple(readings.values()),
        _curve(store, record),
        float_id=batch.float_id,
        original_gravity_sg=batch.original_gravity_sg,
    )


def _curve(store: Store, record: BatchRecord) -> Curve | None:
    float_id = record.batch.float_id
    if record.curve_version is not None:
        return store.curve(float_id, record.curve_version).curve
    newest = store.current_curve(float_id)
    return None if newest is None else newest.curve
