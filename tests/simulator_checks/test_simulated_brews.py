"""What a simulated brew promises: it repeats by its seed, its truth is physical, and its faults are what was asked."""

from __future__ import annotations

import csv
import tomllib
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.random import default_rng

from tests.simulator.floats import draw_float
from tests.simulator.scenario import Brew, simulate
from tests.simulator.write import write_case

SEEDS = range(40)


@cache
def brew_of(seed: int) -> Brew:
    return simulate(seed)


def test_the_same_seed_gives_the_same_brew_and_another_seed_another() -> None:
    again = simulate(3)

    assert again.readings == brew_of(3).readings
    assert again.samples == brew_of(3).samples
    assert again.references == brew_of(3).references
    assert np.array_equal(again.truth.gravity_sg, brew_of(3).truth.gravity_sg)
    assert brew_of(4).readings != brew_of(3).readings


def test_an_override_of_the_noise_leaves_the_fermentation_alone() -> None:
    noisy = simulate(3, base_noise_deg=2.0, knocks=0, krausen_points=0.0)

    assert np.array_equal(noisy.truth.gravity_sg, brew_of(3).truth.gravity_sg)
    assert noisy.batch == brew_of(3).batch
    assert noisy.readings != brew_of(3).readings


def test_an_unknown_override_is_refused() -> None:
    with pytest.raises(TypeError):
        simulate(3, colour="blue")


@pytest.mark.parametrize("seed", SEEDS)
def test_gravity_never_rises_and_the_rate_is_its_slope(seed: int) -> None:
    truth = brew_of(seed).truth

    steps = np.diff(truth.gravity_sg)

    assert np.all(steps <= 1e-9)
    fallen = np.trapezoid(truth.rate_points_per_day, truth.time_h / 24.0)
    assert fallen == pytest.approx(1000 * (truth.original_gravity_sg - truth.final_gravity_sg), rel=0.01)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_named_hours_are_what_their_definitions_say(seed: int) -> None:
    truth = brew_of(seed).truth
    drop = 1000 * (truth.original_gravity_sg - truth.gravity_sg)

    assert truth.at(drop, truth.started_h) == pytest.approx(1.0, abs=0.3)
    if truth.finished_h is not None:
        after = truth.time_h > truth.finished_h
        assert np.all(truth.rate_points_per_day[after] < 0.5)
        assert drop[-1] - drop[after][0] < 0.5
    if truth.stalled_h is not None:
        assert truth.finished_h is None or truth.finished_h > truth.stalled_h
        assert drop[-1] >= truth.at(drop, truth.stalled_h) > 1.0


def test_an_asked_for_stall_stops_near_its_fraction_and_goes_on_after_warming() -> None:
    for_good = simulate(11, stall_at=0.6, stall_days=None, stall_is_cold=False, failure="none")
    passing = simulate(11, stall_at=0.6, stall_days=2.5, stall_is_cold=True, failure="none")

    assert for_good.truth.is_stalled
    assert for_good.truth.finished_h is None
    potential = (for_good.truth.original_gravity_sg - 1.0) * for_good.recipe.attenuation
    done = (for_good.truth.original_gravity_sg - for_good.truth.final_gravity_sg) / potential
    assert 0.5 < done < 0.85
    assert passing.truth.stalled_h is not None
    assert passing.truth.restarted_h is not None
    cold = passing.truth.at(passing.truth.temperature_c, passing.truth.stalled_h + 12.0)
    assert cold < passing.recipe.wanted_c[0]


def test_added_sugar_raises_the_gravity_within_hours_and_is_fermented_in_the_end(tmp_path: Path) -> None:
    plain = simulate(3, stall_at=None)
    sugared = simulate(3, stall_at=None, added_points=8.0, added_at=0.7)

    (addition,) = sugared.batch.additions
    at_h = sugared.hours(addition.time)
    dissolved = [1000.0 * brew.truth.at(brew.truth.gravity_sg, at_h + 4.0) for brew in (sugared, plain)]
    assert 5.0 < dissolved[0] - dissolved[1] < 8.0
    assert sugared.truth.final_gravity_sg == pytest.approx(plain.truth.final_gravity_sg, abs=0.5e-3)
    assert sugared.truth.abv_percent > plain.truth.abv_percent + 0.7
    write_case(sugared, tmp_path)
    (written,) = tomllib.loads((tmp_path / "batch.toml").read_text())["batch"]["addition"]
    assert written["gravity_points"] == 8.0


def test_a_battery_that_dies_falls_silent_before_the_record_ends() -> None:
    brew = simulate(5, battery="dies", gaps=0)

    last_h = brew.hours(max(reading.time for reading in brew.readings))
    lowest_v = min(reading.battery_v or 9.0 for reading in brew.readings)

    assert last_h < 0.82 * brew.truth.time_h[-1]
    assert lowest_v < 3.3


def test_a_bad_radio_repeats_and_delays_packets_and_a_good_one_does_not() -> None:
    bad, good = simulate(6, repeats_and_delays=True), simulate(6, repeats_and_delays=False)

    bad_times = [reading.time for reading in bad.readings]
    good_times = [reading.time for reading in good.readings]

    assert len(set(bad_times)) < len(bad_times)
    assert bad_times != sorted(bad_times)
    assert good_times == sorted(set(good_times))


def test_foam_bias_has_the_asked_sign_and_is_gone_or_going_at_the_end() -> None:
    brew = simulate(7, krausen_points=4.0, krausen_plateau_h=24.0, stall_at=None, battery="full", fouling_points=0.0)

    foam = brew.truth.krausen_points

    assert foam.max() == pytest.approx(4.0, rel=0.5)
    assert foam[0] == 0.0
    assert abs(foam[-1]) < 0.4


def test_floats_rise_with_density_near_25_degrees_in_water() -> None:
    for seed in range(30):
        owned = draw_float(default_rng(seed))

        in_water, strong = owned.angle_deg(np.array([1.0, 1.080]), np.full(2, 20.0))

        assert np.all(np.diff(owned.law_deg) > 0)
        assert 19.0 < in_water < 31.0
        assert 58.0 < strong < 77.0


def test_brews_are_diverse() -> None:
    brews = [brew_of(seed) for seed in SEEDS]

    assert len({brew.recipe.family for brew in brews}) == 6
    assert len({brew.recipe.style for brew in brews}) >= 5
    assert {brew.truth.stalled_h is None for brew in brews} == {True, False}
    assert {brew.batch.original_gravity_sg is None for brew in brews} == {True, False}
    assert {brew.recipe.krausen_points > 0 for brew in brews} == {True, False}


def test_a_written_case_has_the_files_and_headers_of_the_contract(tmp_path: Path) -> None:
    brew = next(brew_of(seed) for seed in SEEDS if brew_of(seed).samples and brew_of(seed).batch.plan)

    write_case(brew, tmp_path / "case")

    def rows(name: str) -> list[list[str]]:
        with (tmp_path / "case" / name).open(encoding="utf-8", newline="") as file:
            return list(csv.reader(file))

    batch = tomllib.loads((tmp_path / "case" / "batch.toml").read_text(encoding="utf-8"))
    assert ",".join(rows("readings.csv")[0]) == "time,float,angle_deg,temperature_c,battery_v,rssi_dbm"
    assert ",".join(rows("samples.csv")[0]) == "time,instrument,value,unit,sample_temperature_c"
    header = "float,angle_deg,angle_sd_deg,gravity_sg,gravity_sd_sg,temperature_c"
    assert ",".join(rows("references.csv")[0]) == header
    assert len(rows("readings.csv")) == len(brew.readings) + 1
    assert rows("readings.csv")[1][0].endswith("Z")
    assert batch["batch"]["pitched"] == brew.batch.pitched
    assert tuple(batch["batch"]["plan"][0]["temperature_c"]) == brew.batch.plan[0].temperature_c
    assert len(rows("truth.csv")) == brew.truth.time_h.size + 1
