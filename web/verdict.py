"""Has "finished" been told? The phase is what one estimate says; the verdict is what the rules stand for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from alerts.alert import Kind
from alerts.fermentation_rules import unfinished
from alerts.phase_words import phase_in_words
from alerts.settings import AlertSettings
from fermentation.estimate import Estimate, Phase
from gylewatch.pipeline import StaleState, decode_state
from storage.records import AlertRecord, BatchRecord
from storage.store import Store
from web import words


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """How the end of a fermentation may be spoken of."""

    told: bool  # or nothing is to be told
    lacks: str = ""  # what is still missing, as the end of a sentence; empty: not known, or nothing

    def phase(self, phase: Phase) -> str:
        """The word for the phase; what merely looks finished is at rest."""
        return phase_in_words(phase, told=self.told)


TOLD = Verdict(told=True)


def is_told(settings: AlertSettings, record: BatchRecord, open_alerts: Sequence[AlertRecord]) -> bool:
    """Whether "finished" stands, or nobody waits for it: the batch has ended, or this kind of alert is not wanted."""
    kind = Kind.FERMENTATION_FINISHED
    open_here = any(alert.alert.kind is kind for alert in open_alerts)
    return open_here or record.ended is not None or not settings.is_enabled(kind)


def verdict(
    store: Store,
    settings: AlertSettings,
    record: BatchRecord,
    estimate: Estimate | None,
    open_alerts: Sequence[AlertRecord],
) -> Verdict:
    """The verdict on a batch as it stands in the store, with what it lacks where the beer looks finished."""
    if estimate is None or is_told(settings, record, open_alerts):
        return TOLD
    stored = store.state(record.batch_id) if words.is_over(estimate) else None
    if stored is None:
        return Verdict(told=False)
    try:
        alerts = decode_state(stored.state, record.batch).alerts
    except StaleState:  # it is being read again, or its estimates are thinned
        return Verdict(told=False)
    lacks = unfinished(settings, record.batch, alerts.memory.fermentation, estimate, alerts.opened())
    return Verdict(told=False, lacks=lacks or "")
