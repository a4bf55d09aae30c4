"""The brews by another hand are what they claim to be: the same for a seed, readable, and true to themselves."""

from __future__ import annotations

import csv
import json
from dataclasses import asdict
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from calibration.hydrometry import batch_gravity
from gylewatch.batch_file import read_batch
from gylewatch.tables import read_readings, read_references, read_samples
from tests.cellar.cellar import CellarBrew, make, write
from tests.cellar.disturbance import FOAM_LIMIT, LASTING_LIMIT, LEAK_LIMIT, SLIPS_AT

SEEDS = range(24)
FILES = {"readings.csv", "samples.csv", "references.csv", "batch.toml", "truth.csv", "truth.json"}


@cache
def _brew(seed: int) -> CellarBrew:
    return make(seed)


def _texts(folder: Path) -> dict[str, str]:
    return {each.name: each.read_text(encoding="utf-8") for each in folder.iterdir()}


def test_a_seed_gives_the_same_files_and_another_seed_gives_others(tmp_path: Path) -> None:
    for name, seed in (("first", 3), ("again", 3), ("other", 4)):
        write(make(seed), tmp_path / name)
    first, again, other = (_texts(tmp_path / name) for name in ("first", "again", "other"))
    assert set(first) == FILES
    assert first == again
    assert all(first[name] != other[name] for name in ("readings.csv", "references.csv", "batch.toml", "truth.csv"))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_files_are_those_of_the_contract(tmp_path: Path, seed: int) -> None:
    made = _brew(seed)
    write(made, tmp_path)
    batch = read_batch(tmp_path / "batch.toml")
    assert len(read_readings(tmp_path / "readings.csv")) == len(made.record.packets) > 10
    assert len(read_samples(tmp_path / "samples.csv")) == len(made.samples)
    references = read_references(tmp_path / "references.csv")
    assert 4 <= len(references) <= 8
    assert {reference.float_id for reference in references} == {batch.float_id}
    assert batch.original_gravity_sg == made.written_original_sg
    assert len(batch.plan) == len(made.course.plan)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_truth_beside_them_agrees_with_itself(tmp_path: Path, seed: int) -> None:
    made = _brew(seed)
    write(made, tmp_path)
    with (tmp_path / "truth.csv").open(encoding="utf-8") as file:
        rows = [{name: float(value) for name, value in row.items()} for row in csv.DictReader(file)]
    told = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    assert told == json.loads(json.dumps(asdict(made.truth)))
    assert {after["hours_since_pitching"] - before["hours_since_pitching"] for before, after in pairwise(rows)} == {
        0.25
    }
    assert all(after["gravity_sg"] <= before["gravity_sg"] for before, after in pairwise(rows))
    assert rows[0]["gravity_sg"] == pytest.approx(told["original_gravity_sg"], abs=1e-6)
    assert rows[-1]["gravity_sg"] >= told["final_gravity_sg"] - 1e-6
    if told["finished_h"] is not None:
        after = [row for row in rows if row["hours_since_pitching"] >= told["finished_h"]]
        assert after[0]["gravity_sg"] - told["final_gravity_sg"] < 0.001
        assert max(row["rate_points_per_day"] for row in after) < 0.5
        assert told["started_h"] < told["finished_h"]


@pytest.mark.parametrize("seed", SEEDS)
def test_biases_are_bounded_and_foam_follows_the_activity(seed: int) -> None:
    made = _brew(seed)
    foam, lasting, course = made.trouble.foam, made.trouble.lasting, made.course
    assert np.abs(foam).max() <= FOAM_LIMIT
    # A float that sticks goes on to where it slips, and half an hour's fall or foam beyond.
    assert np.abs(lasting).max() <= LASTING_LIMIT + LEAK_LIMIT + SLIPS_AT[1] + 2 * FOAM_LIMIT
    assert not foam[course.fallen_points < 0.5].any()
    if np.abs(foam).max() > 0.0:
        assert course.time_h[np.abs(foam).argmax()] > course.time_h[np.argmax(course.rate > 0.1 * course.rate.max())]


def test_the_brews_are_of_many_kinds() -> None:
    brews = [_brew(seed) for seed in SEEDS]
    assert {"pale ale", "lager", "kveik", "strong ale"} <= {made.recipe.style.name for made in brews}
    assert len({made.recipe.family for made in brews}) == 4
    assert any(made.truth.stalled_for_good for made in brews)
    assert any(made.truth.silences for made in brews)
    assert any(made.truth.temperature_out for made in brews)
    assert any(made.written_original_sg is None for made in brews)


def test_most_samples_are_read_near_the_true_gravity(tmp_path: Path) -> None:
    """The project's own reckoning and this one have no code in common, so what they agree on is the physics."""
    errors = []
    for seed in SEEDS:
        made = _brew(seed)
        write(made, tmp_path / str(seed))
        batch = read_batch(tmp_path / str(seed) / "batch.toml")
        for (_, sample), drawn in zip(read_samples(tmp_path / str(seed) / "samples.csv"), made.samples, strict=True):
            if batch.original_gravity_sg is None or abs(batch.original_gravity_sg - made.recipe.original_sg) > 0.003:
                continue  # a refractometer needs it
            fallen = np.interp(drawn.time_h, made.course.time_h, made.course.fallen_points)
            errors.append(1000.0 * (batch_gravity(batch, sample).gravity_sg - made.recipe.original_sg) + fallen)
    assert len(errors) > 10
    assert np.median(np.abs(errors)) < 1.0
