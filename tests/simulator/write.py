"""A brew as the files of the contract, so that `gylewatch replay` can run it, with the truth beside them."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path

import numpy as np

from gylewatch.values import Batch
from tests.simulator.scenario import Brew


def _stamp(time: datetime) -> str:
    return time.isoformat().replace("+00:00", "Z")


def _write_csv(path: Path, header: str, rows: Iterable[Sequence[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header.split(","))
        writer.writerows(["" if cell is None else cell for cell in row] for row in rows)


def _batch_toml(batch: Batch) -> str:
    def pair(values: tuple[float, float]) -> str:
        return f"[{values[0]}, {values[1]}]"

    lines = ["[batch]", f'name = "{batch.name}"', f"volume_l = {batch.volume_l}", f"pitched = {_stamp(batch.pitched)}"]
    if batch.original_gravity_sg is not None:
        lines.append(f"original_gravity = {batch.original_gravity_sg:.4f}")
    lines += [
        f"expected_attenuation = {pair(batch.expected_attenuation)}",
        f"temperature_c = {pair(batch.temperature_c)}",
        f'vessel = "{batch.vessel}"',
        f'float = "{batch.float_id}"',
    ]
    for step in batch.plan:
        lines += [
            "[[batch.plan]]",
            f"from = {_stamp(step.start)}",
            f"temperature_c = {pair(step.temperature_c)}",
            f'label = "{step.label}"',
        ]
    for addition in batch.additions:
        lines += ["[[batch.addition]]", f"time = {_stamp(addition.time)}", f'label = "{addition.label}"']
        if addition.gravity_points is not None:
            lines.append(f"gravity_points = {addition.gravity_points}")
    return "\n".join(lines) + "\n"


def write_case(brew: Brew, directory: Path) -> None:
    """Write readings.csv, samples.csv, references.csv, batch.toml and truth.csv into `directory`, made if missing."""
    directory.mkdir(parents=True, exist_ok=True)
    _write_csv(
        directory / "readings.csv",
        "time,float,angle_deg,temperature_c,battery_v,rssi_dbm",
        ((_stamp(r.time), r.float_id, r.angle_deg, r.temperature_c, r.battery_v, r.rssi_dbm) for r in brew.readings),
    )
    _write_csv(
        directory / "samples.csv",
        "time,instrument,value,unit,sample_temperature_c",
        ((_stamp(s.time), s.instrument, s.value, s.unit, s.sample_temperature_c) for s in brew.samples),
    )
    _write_csv(
        directory / "references.csv",
        "float,angle_deg,angle_sd_deg,gravity_sg,gravity_sd_sg,temperature_c",
        (
            (r.float_id, r.angle_deg, r.angle_sd_deg, r.gravity_sg, r.gravity_sd_sg, r.temperature_c)
            for r in brew.references
        ),
    )
    (directory / "batch.toml").write_text(_batch_toml(brew.batch), encoding="utf-8")
    truth = brew.truth
    columns = (truth.time_h, truth.gravity_sg, truth.rate_points_per_day, truth.temperature_c, truth.krausen_points)
    _write_csv(
        directory / "truth.csv",
        "hours_since_pitching,gravity_sg,rate_points_per_day,temperature_c,krausen_points",
        np.round(np.column_stack(columns), 6).tolist(),
    )
