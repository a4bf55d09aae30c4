"""Beer that is drawn to be measured, what the float saves of it, and when a sample is worth drawing. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gylewatch.errors import InputError
from gylewatch.units import NORMAL_80, POINT_SG
from gylewatch.values import Instrument, Sample

# Common practice, no source: 150 to 200 ml fill a hydrometer's jar, a few drops a prism, 5 ml rinse and fill a meter.
DRAWN_ML = {Instrument.HYDROMETER: 175.0, Instrument.REFRACTOMETER: 0.3, Instrument.DENSITY_METER: 5.0}

NEVER_BACK = "Never pour a sample back: it carries air and germs into the beer; drink it, or throw it away."

WORTH_POINTS = 0.5  # an interval that would shrink by less than this is not worth a jar (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """Beer drawn from one batch so far."""

    drawn_ml: float
    by_instrument: tuple[tuple[Instrument, int, float], ...]  # (instrument, samples, ml)
    share_of_batch: float  # fraction
    daily_ml: float  # what one hydrometer jar a day would have taken
    saved_ml: float  # daily_ml minus drawn_ml, not below zero


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A time at which a sample could be drawn."""

    label: str
    interval_width_points: float  # of the 80 % interval without the sample


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """What one sample does to an 80 % interval."""

    label: str
    width_before_points: float
    width_after_points: float
    narrower_points: float
    worth_it: bool


def ledger(samples: Sequence[Sample], *, volume_l: float, days: float, jar_ml: float | None = None) -> Ledger:
    """Count the beer that samples took.

    Parameters
    ----------
    samples : of one batch
    volume_l : of the batch
    days : that it has been watched
    jar_ml : what your own hydrometer jar takes; None: 175

    Raises
    ------
    InputError
        A volume or the time is not above zero.
    """
    if not (volume_l > 0.0 and days >= 0.0) or (jar_ml is not None and not 0.0 < jar_ml <= 1000.0):
        raise InputError("ledger", "the batch's volume must be above zero and a jar takes up to 1000 ml")
    each = dict(DRAWN_ML)
    if jar_ml is not None:
        each[Instrument.HYDROMETER] = jar_ml
    counts = {instrument: sum(sample.instrument is instrument for sample in samples) for instrument in Instrument}
    by_instrument = tuple((i, count, count * each[i]) for i, count in counts.items() if count)
    drawn = sum(ml for _, _, ml in by_instrument)
    daily = math.floor(days) * each[Instrument.HYDROMETER]
    return Ledger(
        drawn_ml=drawn,
        by_instrument=by_instrument,
        share_of_batch=drawn / (1000.0 * volume_l),
        daily_ml=daily,
        saved_ml=max(daily - drawn, 0.0),
    )


def worth(interval_width_points: float, sample_sd_sg: float, *, label: str = "") -> Worth:
    """What one sample would do to an 80 % interval.

    Parameters
    ----------
    interval_width_points : from its lower to its upper end
    sample_sd_sg : standard uncertainty of the sample's gravity

    Raises
    ------
    InputError
        The interval or the uncertainty is not above zero.

    Source: two normal distributions of one quantity combine to sd = 1/sqrt(1/s² + 1/h²); e.g. C. M. Bishop, Pattern
    Recognition and Machine Learning, 2006, section 2.3.6.
    """
    if not (interval_width_points > 0.0 and sample_sd_sg > 0.0):
        raise InputError("worth of a sample", "interval and uncertainty must be above zero")
    s = interval_width_points / (2.0 * NORMAL_80)
    h = sample_sd_sg / POINT_SG
    after = 2.0 * NORMAL_80 / math.sqrt(1.0 / s**2 + 1.0 / h**2)
    narrower = interval_width_points - after
    return Worth(
        label=label,
        width_before_points=interval_width_points,
        width_after_points=after,
        narrower_points=narrower,
        worth_it=narrower >= WORTH_POINTS,
    )


def rank(moments: Sequence[Moment], sample_sd_sg: float) -> tuple[Worth, ...]:
    """The moments by what a sample would be worth then, the best first. Errors as in `worth`."""
    each = [worth(moment.interval_width_points, sample_sd_sg, label=moment.label) for moment in moments]
    return tuple(sorted(each, key=lambda one: -one.narrower_points))
