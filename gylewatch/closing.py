"""Closing: what is open of a batch that a person has ended is over. People know; programs are told."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from alerts.alert import Alert
from alerts.engine import closed
from gylewatch.copying import replace
from gylewatch.values import BatchId
from storage.records import BatchRecord
from storage.store import Store


def close(store: Store, records: Iterable[BatchRecord], channels: Sequence[str]) -> Mapping[BatchId, tuple[Alert, ...]]:
    """End the open alerts of those batches that have ended, and return these ends; once more, and there are none.

    Those of a batch that was reopened since its record was read stay open.
    """
    over = {record.batch_id: (record.ended, record.reopened) for record in records if record.ended is not None}
    told: dict[BatchId, tuple[Alert, ...]] = {}
    for batch_id, opened in store.open_alerts_of(over).items():
        ended, reopened = over[batch_id]
        alerts = [closed(each.alert, ended) for each in opened]
        footing = replace(store.footing(batch_id), reopened=reopened)
        saved = store.save_outcomes(batch_id, alerts=alerts, channels=channels, footing=footing)
        told[batch_id] = tuple(each.alert for each in saved)
    return told
