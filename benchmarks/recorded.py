"""Brews on disk, by any hand: the contract's files with the truth beside them, run by the very replay.

A directory holds `readings.csv`, `references.csv`, `batch.toml`, perhaps `samples.csv`, and the truth as `truth.csv`
and `truth.json` (see `tests.cellar`).
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from alerts.settings import AlertSettings
from benchmarks.scores import Event, FloatArray, Row
from gylewatch.batch_file import read_batch
from gylewatch.replay import replay
from gylewatch.values import Batch
from tests.simulator.scenario import Truth


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """One such brew, as `benchmarks.scores.Judged` wants it."""

    seed: int
    label: str
    folder: Path
    batch: Batch
    truth: Truth
    strength_sg: float
    heard_h: FloatArray
    interval_h: float
    drifts: bool
    battery: str

    def hours(self, time: datetime) -> float:
        """Hours since pitching."""
        return (time - self.batch.pitched) / timedelta(hours=1)


def read_brew(folder: Path, number: int) -> Recorded:
    """The brew in `folder`, the `number`-th of its kind."""
    batch = read_batch(folder / "batch.toml")
    told: dict[str, Any] = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    with (folder / "readings.csv").open(encoding="utf-8") as file:
        times = [datetime.fromisoformat(row["time"]) for row in csv.DictReader(file)]
    heard_h = np.array([(time - batch.pitched) / timedelta(hours=1) for time in times])
    truth = _truth(folder / "truth.csv", told)
    return Recorded(
        seed=number,
        label=told["label"],
        folder=folder,
        batch=batch,
        truth=truth,
        strength_sg=truth.original_gravity_sg,
        heard_h=heard_h,
        interval_h=float(np.median(np.diff(np.unique(heard_h)))),
        drifts=truth.temperature_failure_h is not None,
        battery="full" if told["battery_low_h"] is None else "dies",
    )


def _truth(path: Path, told: dict[str, Any]) -> Truth:
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    columns = {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}
    stall = told["stalls"][0] if told["stalls"] else (None, None)
    drift = told["temperature_drifts"]
    return Truth(
        time_h=columns["hours_since_pitching"],
        gravity_sg=columns["gravity_sg"],
        rate_points_per_day=columns["rate_points_per_day"],
        temperature_c=columns["temperature_c"],
        krausen_points=columns["krausen_points"],
        bias_points=columns["krausen_points"] + columns["float_bias_points"],
        original_gravity_sg=told["original_gravity_sg"],
        final_gravity_sg=told["final_gravity_sg"],
        abv_percent=told["abv_percent"],
        started_h=told["started_h"],
        finished_h=told["finished_h"],
        stalled_h=stall[0],
        restarted_h=None if told["stalled_for_good"] else stall[1],
        temperature_failure_h=drift[0][0] if drift else None,
    )


def replayed(brew: Recorded) -> list[Row]:
    """The rows that `gylewatch replay` writes of it; the first holds all alerts."""
    samples = brew.folder / "samples.csv"
    with TemporaryDirectory() as name:
        estimates, alerts = Path(name) / "estimates.csv", Path(name) / "alerts.jsonl"
        replay(
            readings=brew.folder / "readings.csv",
            references=brew.folder / "references.csv",
            batch=brew.folder / "batch.toml",
            samples=samples if samples.exists() else None,
            alert_settings=AlertSettings(),
            estimates=estimates,
            alerts=alerts,
        )
        with estimates.open(encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        events = [json.loads(line) for line in alerts.read_text(encoding="utf-8").splitlines()]
    told = tuple(
        Event(time_h=_hours(brew, event["time"]), kind=event["kind"], resolves=event["resolves"]) for event in events
    )
    return [_row(brew, row, () if number else told) for number, row in enumerate(rows)]


def _hours(brew: Recorded, stamp: str) -> float:
    return brew.hours(datetime.fromisoformat(stamp)) if stamp else float("nan")


def _row(brew: Recorded, row: dict[str, str], alerts: tuple[Event, ...]) -> Row:
    def number(name: str) -> float:
        return float(row[name] or "nan")

    return Row(
        time_h=_hours(brew, row["time"]),
        gravity_sg=number("gravity_sg"),
        low=number("gravity_low_sg"),
        high=number("gravity_high_sg"),
        rate=number("rate_points_per_day"),
        abv=number("abv_percent"),
        fg=number("final_gravity_sg"),
        fg_low=number("final_gravity_low_sg"),
        fg_high=number("final_gravity_high_sg"),
        finish_h=_hours(brew, row["finish_time"]),
        finish_low_h=_hours(brew, row["finish_low"]),
        finish_high_h=_hours(brew, row["finish_high"]),
        phase=row["phase"],
        alerts=alerts,
    )
