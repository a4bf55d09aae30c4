"""A hand sample far from what is believed is asked about before it is kept: it may be mistyped."""

from __future__ import annotations

from datetime import timedelta

from gylewatch.counting import above_or_below
from gylewatch.units import POINT_SG
from gylewatch.values import Sample, Unit
from storage.records import BatchRecord
from storage.store import Store
from web.records import corrected
from web.typed import Question

FAR_POINTS = 8.0  # more than curve and hydrometer err together; a slip of one digit is ten points or more
_SG = (0.990, 1.130)  # of beer and wort
_FRESH = timedelta(hours=12)  # an estimate older than that says little about a beer in full ferment


def doubt_far_sample(store: Store, record: BatchRecord, sample: Sample) -> Question | None:
    """The question whether a sample far from the estimate of its time is right; None: there is no reason to ask."""
    hand = corrected(record.batch, sample)
    near = store.estimates(
        record.batch_id, since=sample.time - _FRESH, until=sample.time + timedelta(microseconds=1), limit=1
    )
    if hand is None or not near:
        return None
    off = (hand.gravity_sg - near[-1].gravity_sg) / POINT_SG
    if abs(off) <= FAR_POINTS:
        return None
    unit = f" Was {sample.value:g} an SG? Then choose that unit." if _may_be_sg(sample) else ""
    return Question(
        field="sure",
        sentence=f"Is that right? {hand.gravity_sg:.4f} lies {above_or_below(off)} the estimate of "
        f"{near[-1].gravity_sg:.4f}.{unit} Read the instrument once more, and confirm if it is.",
    )


def _may_be_sg(sample: Sample) -> bool:
    """Whether what stands there as °P or Brix is what a hydrometer shows in SG."""
    return sample.unit in (Unit.PLATO, Unit.BRIX) and _SG[0] <= sample.value <= _SG[1]
