"""How long a replay takes: 14 days at one reading in 15 minutes, with estimate and verdict at each.

Run: .venv/bin/python -m benchmarks.replay [DAYS] [MINUTES]

Prints wall and processor seconds of the whole command, of its start-up alone (`replay --help`, which loads all that is
imported at the top), and of the rest; and, between them, of a replay of the first reading alone: what it takes beyond
the start-up is paid once, whatever the number of readings (the curve's fit, parts of numpy that are loaded on first
use). Goals on one core: at most 4 s in all, and 1.5 s after start-up. The beer is the demo's lager, which keeps the
estimator busy to the end.
"""

from __future__ import annotations

import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from gylewatch.demo_brewery import BEERS, batch_of, readings_of, references_of

PITCHED = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)
BEER = BEERS[1]


def write_case(folder: Path, days: float, minutes: float) -> int:
    """Write the files of one replay; readings between the demo's own 15 minutes are interpolated."""
    batch, generator = batch_of(BEER, PITCHED), np.random.default_rng(1)
    made = list(readings_of(BEER, PITCHED, generator))
    hours = np.array([(reading.time - PITCHED).total_seconds() / 3600 for reading in made])
    count = round(days * 1440 / minutes)
    wanted = np.arange(1, count + 1) * minutes / 60
    columns = [
        np.interp(wanted, hours, [getattr(reading, name) for reading in made])
        for name in ("angle_deg", "temperature_c", "battery_v")
    ]
    columns[0] = columns[0] + generator.normal(0.0, 0.15, count)
    rows = [
        f"{(PITCHED + timedelta(hours=float(hour))).isoformat()},{BEER.float_name},{angle:.2f},{warm:.2f},{volt:.3f},"
        for hour, angle, warm, volt in zip(wanted, *columns, strict=True)
    ]
    (folder / "readings.csv").write_text(
        "time,float,angle_deg,temperature_c,battery_v,rssi_dbm\n" + "\n".join(rows) + "\n", encoding="utf-8"
    )
    points = [f"{p.float_id},{p.angle_deg},0.15,{p.gravity_sg},0.0004,20" for p in references_of(BEER, generator)]
    (folder / "references.csv").write_text(
        "float,angle_deg,angle_sd_deg,gravity_sg,gravity_sd_sg,temperature_c\n" + "\n".join(points) + "\n",
        encoding="utf-8",
    )
    (folder / "batch.toml").write_text(
        f'[batch]\nname = "{batch.name}"\nvolume_l = {batch.volume_l}\npitched = {PITCHED.isoformat()}\n'
        f"original_gravity = {batch.original_gravity_sg}\nexpected_attenuation = {list(batch.expected_attenuation)}\n"
        f'temperature_c = {list(batch.temperature_c)}\nvessel = "{batch.vessel}"\nfloat = "{batch.float_id}"\n',
        encoding="utf-8",
    )
    return count


def write_first(readings: Path, first: Path) -> None:
    """Copy the head of `readings` and its first row."""
    head, row, *_ = readings.read_text(encoding="utf-8").splitlines()
    first.write_text(f"{head}\n{row}\n", encoding="utf-8")


def measured(command: list[str], folder: Path) -> tuple[float, float]:
    """Wall and processor seconds of one process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    days, minutes = (float(word) for word in (sys.argv[1:] + ["14", "15"][len(sys.argv) - 1 :])[:2])
    program = [sys.executable, "-m", "gylewatch.cli", "replay"]
    files = [*("--references", "references.csv"), *("--batch", "batch.toml")]
    files += [*("--estimates", "estimates.csv"), *("--alerts", "alerts.jsonl"), "--readings"]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        count = write_case(folder, days, minutes)
        one_core = {next(iter(os.sched_getaffinity(0)))}
        os.sched_setaffinity(0, one_core)
        write_first(folder / "readings.csv", folder / "first.csv")
        start_wall, start_processor = min(measured([*program, "--help"], folder) for _ in range(3))
        one_wall, one_processor = min(measured([*program, *files, "first.csv"], folder) for _ in range(3))
        wall, processor = min(measured([*program, *files, "readings.csv"], folder) for _ in range(3))
        rows = len((folder / "estimates.csv").read_text(encoding="utf-8").splitlines()) - 1
    print(f"{platform.machine()}, Python {platform.python_version()}, one core, best of 3")
    print(f"{count} readings, {rows} estimates, {days:g} days at {minutes:g} min")
    print(f"{'':12}{'wall s':>9}{'cpu s':>9}")
    print(f"{'in all':12}{wall:9.2f}{processor:9.2f}")
    print(f"{'start-up':12}{start_wall:9.2f}{start_processor:9.2f}")
    print(f"{'one reading':12}{one_wall:9.2f}{one_processor:9.2f}")
    print(f"{'the rest':12}{wall - start_wall:9.2f}{processor - start_processor:9.2f}")
    print(f"per further reading {1000 * (processor - one_processor) / max(count - 1, 1):.2f} ms of processor time")


if __name__ == "__main__":
    main()
