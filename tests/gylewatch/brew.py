"""Recorded files of a beer, made by the demo's brewery with a fixed seed, for replay and service tests."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path

import numpy as np

from gylewatch.demo_brewery import BEERS, batch_of, readings_of, references_of
from gylewatch.values import Reading

PITCHED = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)
READINGS_HEADER = "time,float,angle_deg,temperature_c,battery_v,rssi_dbm"
SAMPLES_HEADER = "time,instrument,value,unit,sample_temperature_c"


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """The lines of a readings.csv, and the files beside it."""

    folder: Path
    rows: tuple[str, ...]

    @property
    def references(self) -> Path:
        return self.folder / "references.csv"

    @property
    def batch(self) -> Path:
        return self.folder / "batch.toml"

    def readings(self, rows: tuple[str, ...] | None = None) -> Path:
        """Write a readings.csv of these rows (all, if not given)."""
        path = self.folder / "readings.csv"
        path.write_text("\n".join((READINGS_HEADER, *(self.rows if rows is None else rows))) + "\n", encoding="utf-8")
        return path


def iso(time: datetime) -> str:
    return time.isoformat().replace("+00:00", "Z")


def row_of(reading: Reading) -> str:
    return (
        f"{iso(reading.time)},{reading.float_id},{reading.angle_deg},{reading.temperature_c},"
        f"{reading.battery_v},{reading.rssi_dbm}"
    )


def pale_readings(count: int, pitched: datetime = PITCHED) -> tuple[Reading, ...]:
    """The first readings of the pale ale's float: about 97 of 100 that are 15 minutes apart."""
    return tuple(islice(readings_of(BEERS[0], pitched, np.random.default_rng(3)), count))


def write_references(folder: Path) -> Path:
    lines = ["float,angle_deg,angle_sd_deg,gravity_sg,gravity_sd_sg,temperature_c"]
    points = references_of(BEERS[0], np.random.default_rng(4))
    lines += [f"heron,{point.angle_deg:.3f},0.15,{point.gravity_sg:.5f},0.0004,20" for point in points]
    path = folder / "references.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def write_batch(folder: Path, pitched: datetime = PITCHED) -> Path:
    batch = batch_of(BEERS[0], pitched)
    path = folder / "batch.toml"
    path.write_text(
        f"""[batch]
name = "{batch.name}"
volume_l = {batch.volume_l}
pitched = {iso(batch.pitched)}
original_gravity = {batch.original_gravity_sg}
expected_attenuation = {list(batch.expected_attenuation)}
temperature_c = {list(batch.temperature_c)}
vessel = "{batch.vessel}"
float = "{batch.float_id}"
""",
        encoding="utf-8",
    )
    return path


def recording(folder: Path, count: int) -> Recording:
    """A recording of the pale ale with this many readings."""
    write_references(folder)
    write_batch(folder)
    return Recording(folder=folder, rows=tuple(row_of(reading) for reading in pale_readings(count)))
