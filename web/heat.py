"""Does a float send degrees Fahrenheit? The same question as of a recording, about what came last."""

from __future__ import annotations

from typing import Final

from gylewatch.counting import counted
from gylewatch.likely import mostly_too_hot_note
from storage.records import BatchRecord
from storage.store import Store

_NEWEST: Final = 100  # about a day: what was corrected is asked about no longer than half of it


def heat_doubt(store: Store, record: BatchRecord) -> str:
    """A question, if most of the newest readings of an active batch are hotter than any yeast; else empty."""
    if record.ended is not None:
        return ""
    newest = store.readings(record.batch.float_id, since=record.batch.pitched, limit=_NEWEST)
    of = f"the last {counted(len(newest), 'reading')}"
    say = 'write unit = "F" in its mapping or layout, or let it be sent'
    measured_c = [reading.temperature_c for reading in newest]
    return mostly_too_hot_note(of, measured_c, "what comes from then on is right", say=say)
