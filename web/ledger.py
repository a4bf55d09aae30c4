"""The beer that a batch's samples took, and when a further one is worth most: what page and command line both show."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from calibration.hydrometry import HYDROMETER_SD_SG
from calibration.ledger import Ledger, Moment, Worth, ledger, rank
from fermentation.estimate import Estimate, Phase
from gylewatch.units import POINT_SG
from storage.records import BatchRecord
from storage.store import Store
from web.words import is_over

LEAST_JAR_ML, MOST_JAR_ML = 1.0, 1000.0
# What a sample is needed for, whatever it does to the interval: the alerts ask for it and are not contradicted here.
_BEFORE_PACKAGING = "Before you package take hand readings all the same, two to three days apart."
_NEEDED_ALL_THE_SAME = {
    Phase.FINISHED: _BEFORE_PACKAGING,
    Phase.CONDITIONING: _BEFORE_PACKAGING,
    Phase.STALLED: "One is needed all the same, to tell a beer that has stopped from a float that sticks.",
}
_LEAST_WIDTH_POINTS = 1e-6  # an interval has a width; zero is one that was rounded away


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptLedger:
    book: Ledger
    full_days: int  # that the batch has been watched: each would have taken a jar
    ranked: tuple[Worth, ...]  # a jar now, and at the end if that is to come, the better first; empty: no estimate
    advice: str


def kept_ledger(store: Store, record: BatchRecord, *, jar_ml: float | None = None) -> KeptLedger:
    """The ledger of a batch.

    Parameters
    ----------
    jar_ml : what the brewer's own hydrometer jar takes; None: the usual
    """
    samples = [sample for _, sample in store.samples(record.batch_id)]
    estimate = store.latest_estimate(record.batch_id)
    end = record.ended or (estimate.time if estimate is not None else record.batch.pitched)
    days = max((end - record.batch.pitched) / timedelta(days=1), 0.0)
    ranked = () if estimate is None or record.ended is not None else rank(_moments(estimate), HYDROMETER_SD_SG)
    return KeptLedger(
        book=ledger(samples, volume_l=record.batch.volume_l, days=days, jar_ml=jar_ml),
        full_days=int(days),
        ranked=ranked,
        advice=_advice(ranked, estimate.phase if estimate is not None else None),
    )


def _moments(estimate: Estimate) -> list[Moment]:
    width = (estimate.gravity_high_sg - estimate.gravity_low_sg) / POINT_SG
    moments = [Moment(label="now", interval_width_points=max(width, _LEAST_WIDTH_POINTS))]
    if estimate.forecast is not None and not is_over(estimate):
        forecast = estimate.forecast
        width = (forecast.final_gravity_high_sg - forecast.final_gravity_low_sg) / POINT_SG
        moments.append(Moment(label="at the end", interval_width_points=max(width, _LEAST_WIDTH_POINTS)))
    return moments


def _advice(ranked: tuple[Worth, ...], phase: Phase | None) -> str:
    if not ranked:
        return "There is no estimate of a beer under way, so there is nothing to say about a further sample."
    best = ranked[0]
    if not best.worth_it:
        needed = _NEEDED_ALL_THE_SAME.get(phase, "") if phase is not None else ""
        return (
            f"For the estimate alone no sample is worth its beer now: one hydrometer jar would narrow the interval by "
            f"only {best.narrower_points:.1f} points. {needed}"
        ).rstrip()
    return (
        f"A sample is worth most {best.label}: one hydrometer reading would narrow the 80 % interval from "
        f"{best.width_before_points:.1f} to {best.width_after_points:.1f} points."
    )
