"""The sample ledger and what a sample is worth."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from calibration.ledger import Moment, ledger, rank, worth
from gylewatch.errors import InputError
from gylewatch.values import Instrument, Sample, Unit

START = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)


def drawn(instrument: Instrument, day: int) -> Sample:
    unit = Unit.BRIX if instrument is Instrument.REFRACTOMETER else Unit.SG
    value = 6.0 if instrument is Instrument.REFRACTOMETER else 1.020
    return Sample(
        time=START + timedelta(days=day), instrument=instrument, value=value, unit=unit, sample_temperature_c=20.0
    )


def test_what_was_drawn_is_counted_by_instrument_and_held_against_the_batch() -> None:
    samples = [drawn(Instrument.HYDROMETER, 0), drawn(Instrument.HYDROMETER, 9), drawn(Instrument.REFRACTOMETER, 3)]

    book = ledger(samples, volume_l=20.0, days=10.5)

    # Two jars of 175 ml and a few drops: 350.3 ml of 20 l; ten daily jars would have been 1750 ml.
    assert book.drawn_ml == pytest.approx(350.3)
    assert book.share_of_batch == pytest.approx(0.0175, abs=1e-4)
    assert [(instrument, count) for instrument, count, _ in book.by_instrument] == [
        (Instrument.HYDROMETER, 2),
        (Instrument.REFRACTOMETER, 1),
    ]
    assert book.saved_ml == pytest.approx(1750.0 - 350.3)


def test_your_own_jar_counts() -> None:
    assert ledger([drawn(Instrument.HYDROMETER, 0)], volume_l=20.0, days=3.0, jar_ml=90.0).drawn_ml == 90.0


def test_nobody_saves_less_than_nothing() -> None:
    samples = [drawn(Instrument.HYDROMETER, day) for day in (0, 0, 1, 1)]

    assert ledger(samples, volume_l=20.0, days=1.0).saved_ml == 0.0


def test_a_sample_narrows_an_interval_as_simulation_says() -> None:
    generator = np.random.default_rng(5)
    truth = generator.normal(0.0, 2.0, 40_000)  # points; 80 % interval 5.126 wide
    seen = truth + generator.normal(0.0, 1.0, truth.size)
    # Regression of truth on what is seen, by least squares: what is left is the sd after the sample.
    left = truth - seen * (truth @ seen) / (seen @ seen)

    gain = worth(2 * 1.2815515655 * 2.0, 0.001)

    assert gain.width_after_points == pytest.approx(2 * 1.2815515655 * left.std(), rel=0.02)
    assert gain.narrower_points == pytest.approx(gain.width_before_points - gain.width_after_points)
    assert gain.worth_it


def test_a_narrow_interval_is_not_worth_a_jar() -> None:
    assert not worth(1.0, 0.001).worth_it


def test_the_best_moment_comes_first() -> None:
    order = rank(
        [Moment(label="now", interval_width_points=2.0), Moment(label="end", interval_width_points=6.0)], 0.001
    )

    assert [each.label for each in order] == ["end", "now"]


def test_nonsense_is_refused() -> None:
    with pytest.raises(InputError, match="above zero"):
        worth(0.0, 0.001)
    with pytest.raises(InputError, match="volume must be above zero"):
        ledger([], volume_l=0.0, days=1.0)
    with pytest.raises(InputError, match="jar takes up to"):
        ledger([], volume_l=20.0, days=1.0, jar_ml=-5.0)
