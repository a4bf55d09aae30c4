"""Does a float send degrees Fahrenheit? The same question as of a recording, about what came last."""

from __future__ import annotations

from typing import Final

from gylewatch.counting import counted
from gylewatch.likely import HOT_C, too_hot_note
from storage.records import BatchRecord
from storage.store import Store

_NEWEST: Final = 100  # about a day: what was corrected is asked about no longer than half of it


def heat_doubt(store: Store, record: BatchRecord) -> str:
    """A question, if most of the newest readings of an active batch have a temperature that no yeast has; else empty.

    Each of them may be true, of a float that is washed in hot water. So they are taken as they stand.
    """
    if record.ended is not None:
        return ""
    newest = store.readings(record.batch.float_id, since=record.batch.pitched, limit=_NEWEST)
    hot_c = [reading.temperature_c for reading in newest if reading.temperature_c >= HOT_C]
    if len(hot_c) <= len(newest) // 2:
        return ""
    what = f"{len(hot_c)} of the last {counted(len(newest), 'reading')} have a temperature"
    say = 'write unit = "F" in its mapping or layout, or let it be sent'
    return too_hot_note(what, hot_c, "what comes from then on is right", say=say)
