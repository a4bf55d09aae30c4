"""``compare`` over a real database: hand instruments and the float beside each other."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from scipy import stats

from calibration.comparison import Agreement
from gylewatch.comparing import Pair
from gylewatch.values import Instrument, Unit
from tests.gylewatch.workbench import BATCH, PITCHED, Terminal, day, hand, readings

WATER_20_G_PER_CM3 = 0.99820
GRAVITIES = (1.045, 1.030, 1.015)


@pytest.fixture
def sampled(workbench: Terminal) -> Terminal:
    """Three samples in which hydrometer and density meter agree, and the float reads 6 points too high."""
    with workbench.store() as store:
        for index, gravity in enumerate(GRAVITIES):
            time = day(1.0 + 2 * index)
            store.add_sample(BATCH, hand(Instrument.HYDROMETER, time, gravity + 0.0005))
            store.add_sample(BATCH, hand(Instrument.DENSITY_METER, time, gravity * WATER_20_G_PER_CM3, Unit.G_PER_CM3))
            store.append_readings(readings(time, gravity, off_points=6.0))
    return workbench


def test_every_sample_shows_all_instruments_the_one_that_is_off_and_the_best_value(sampled: Terminal) -> None:
    shown = sampled.type(f"compare {BATCH} --json").json

    assert len(shown["samples"]) == 3
    for sample, gravity in zip(shown["samples"], GRAVITIES, strict=True):
        assert [one["name"] for one in sample["measured"]] == ["hydrometer", "density-meter", "float heron"]
        assert sample["comparison"]["off"] == "float heron"
        assert sample["comparison"]["best_sg"] == pytest.approx(gravity, abs=2e-4)
        assert sample["comparison"]["offsets_points"][2] == pytest.approx(6.0, abs=0.4)


def test_bias_and_limits_of_agreement_are_told_for_each_pair(sampled: Terminal) -> None:
    pairs = {(p["first"], p["second"]): p for p in sampled.type(f"compare {BATCH} --json").json["pairs"]}

    assert pairs["hydrometer", "density-meter"]["bias_points"] == pytest.approx(0.5, abs=0.05)
    assert pairs["density-meter", "float heron"]["bias_points"] == pytest.approx(-6.0, abs=0.4)
    low, high = (pairs["density-meter", "float heron"][end] for end in ("low_points", "high_points"))
    assert -7.0 < low < high < -5.0


def test_the_table_names_the_instrument_that_is_off(sampled: Terminal) -> None:
    answer = sampled.type(f"compare {BATCH}")

    assert "the float heron reads 6" in answer.out
    assert "best value" in answer.out
    assert "19 in 20 between" in answer.out


def test_four_sound_instruments_agree_within_about_a_point(workbench: Terminal) -> None:
    with workbench.store() as store:
        for index, gravity in enumerate(GRAVITIES[:2]):
            time = day(1.0 + 2 * index)
            store.add_sample(BATCH, hand(Instrument.HYDROMETER, time, gravity))
            store.add_sample(BATCH, hand(Instrument.DENSITY_METER, time, gravity * WATER_20_G_PER_CM3, Unit.G_PER_CM3))
            store.append_readings(readings(time, gravity))

    shown = workbench.type(f"compare {BATCH} --json").json

    for sample in shown["samples"]:
        assert max(abs(offset) for offset in sample["comparison"]["offsets_points"]) < 0.7
        assert sample["comparison"]["off"] is None


def test_a_hand_sample_without_readings_stands_alone(workbench: Terminal) -> None:
    with workbench.store() as store:
        store.add_sample(BATCH, hand(Instrument.HYDROMETER, day(1), 1.040))

    shown = workbench.type(f"compare {BATCH} --json").json

    assert shown["samples"][0]["comparison"] is None
    assert shown["pairs"] == []
    assert "No two instruments" in workbench.type(f"compare {BATCH}").out


def test_a_batch_without_samples_is_told_what_to_do(workbench: Terminal) -> None:
    answer = workbench.type(f"compare {BATCH}")

    assert answer.code == 2
    assert "gylewatch sample add" in answer.err


def test_a_sample_of_the_year_one_is_refused_and_one_that_is_stored_already_does_no_harm(sampled: Terminal) -> None:
    with sampled.store() as store:
        store.add_sample(BATCH, hand(Instrument.HYDROMETER, datetime(1, 1, 1, tzinfo=UTC), 1.040))
    (sampled.folder / "old.csv").write_text(
        "time,instrument,value,unit,sample_temperature_c\n0001-01-01T00:00:00Z,hydrometer,1.040,SG,20\n"
    )

    assert len(sampled.type(f"compare {BATCH} --json").json["samples"]) == 3
    refused = sampled.type(f"sample add {BATCH} --from old.csv")
    assert refused.code == 2
    assert "before the beer was pitched" in refused.err


def test_a_batch_pitched_tomorrow_is_not_added(workbench: Terminal) -> None:
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).strftime("%Y-%m-%dT%H:%M:%SZ")
    text = (workbench.folder / "batch.toml").read_text()
    before = PITCHED.isoformat().replace("+00:00", "Z")
    (workbench.folder / "next.toml").write_text(text.replace(before, tomorrow).replace("Test Ale", "Next Ale"))

    answer = workbench.type("batch add next.toml")

    assert answer.code == 2
    assert "lies in the future" in answer.err


def test_a_sample_names_its_instrument_and_unit_in_any_case(workbench: Terminal) -> None:
    kept = workbench.type(
        f"sample add {BATCH} --instrument Hydrometer --unit sg --value 1.020 --temperature-c 20 --sure"
    )

    assert kept.out == f"1 sample kept for batch {BATCH}\n"


@pytest.mark.parametrize("count", [*range(2, 12), 13])
def test_the_bias_of_few_samples_is_as_uncertain_as_students_t_says(count: int) -> None:
    spread = Agreement(count=count, bias_points=0.0, low_points=-1.0, high_points=1.0, bias_sd_points=1.0)

    half = Pair(first="a", second="b", agreement=spread).half_bias_points

    assert half == pytest.approx(stats.t.ppf(0.9, count - 1), rel=0.06 if count > 11 else 0.0005)
