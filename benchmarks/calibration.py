"""What calibration costs, and whether its intervals are honest. Ratios and coverage are the result, not seconds.

Run from the repository: ``python -m benchmarks.calibration [--floats 2000]``. Exit status 1 where a target is missed.
"""

from __future__ import annotations

import argparse
import platform
import sys
import time
import timeit
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from calibration.curve import gravity_reading
from calibration.fit import fit_curve
from calibration.strength import abv_percent
from gylewatch.errors import CalibrationError
from gylewatch.values import FloatId, Reading
from tests.calibration.simulated_floats import draw_float, measure

Z_80_PERCENT = 1.2815515655446004
Line = tuple[str, float, float, float]  # what, measured, least and most allowed


def best_seconds(call: Callable[[], object], number: int) -> float:
    # Processor time: what else runs on the machine does not count.
    return min(timeit.repeat(call, timer=time.process_time, number=number, repeat=5)) / number


def costs() -> list[Line]:
    rng = np.random.default_rng(1)
    references = measure(draw_float(rng), 6, rng)
    curve = fit_curve(references)
    angles = rng.uniform(15.0, 75.0, 100_000)
    reading = Reading(
        time=datetime(2026, 3, 2, tzinfo=UTC), float_id=FloatId("heron"), angle_deg=41.3, temperature_c=17.5
    )
    dense = replace(reading, angle_deg=85.0)
    plain = best_seconds(lambda: np.polyval(curve.coefficients, angles), 5)
    return [
        ("one fit of 6 points with uncertainty, ms", 1e3 * best_seconds(lambda: fit_curve(references), 20), 0.0, 5.0),
        (
            "100,000 angles with intervals over numpy.polyval",
            best_seconds(lambda: curve.evaluate(angles), 5) / plain,
            0.0,
            20.0,
        ),
        (
            "one gravity_reading, µs",
            1e6 * best_seconds(lambda: gravity_reading(curve, reading, original_gravity_sg=1.052), 5000),
            0.0,
            25.0,
        ),
        (
            "one gravity_reading beyond the range, µs",
            1e6 * best_seconds(lambda: gravity_reading(curve, dense, original_gravity_sg=1.052), 5000),
            0.0,
            25.0,
        ),
        ("one abv_percent, µs", 1e6 * best_seconds(lambda: abv_percent(1.052, 1.012), 20_000), 0.0, 5.0),
    ]


def coverage(floats: int) -> list[Line]:
    rng = np.random.default_rng(2026)
    inside: dict[int, list[float]] = {count: [] for count in range(3, 8)}
    beyond: list[float] = []
    errors: list[float] = []
    refused = 0
    for _ in range(floats):
        tilt, count = draw_float(rng), int(rng.integers(3, 8))
        references = measure(
            tilt,
            count,
            rng,
            angle_sd_deg=float(rng.uniform(0.08, 0.35)),
            gravity_sd_sg=float(rng.uniform(0.0003, 0.0012)),
            stated=bool(rng.integers(2)),
        )
        try:
            curve = fit_curve(references)
        except CalibrationError:
            refused += 1
            continue
        angles = rng.uniform(curve.angle_low_deg, curve.angle_high_deg, 10)
        gravity, sd = curve.evaluate(angles)
        off = np.abs(gravity - tilt.gravity_at(angles))
        inside[count].append(float(np.mean(off < Z_80_PERCENT * sd)))
        errors.append(1e3 * float(np.median(off)))
        steps = rng.uniform(0.0, 8.0, 5)
        angles = np.concatenate([curve.angle_low_deg - steps, curve.angle_high_deg + steps])
        gravity, sd = curve.evaluate(angles)
        beyond.append(float(np.mean(np.abs(gravity - tilt.gravity_at(angles)) < Z_80_PERCENT * sd)))
    every = [hit for hits in inside.values() for hit in hits]
    lines = [
        (f"  of them with {count} points, %", 100 * float(np.mean(hits)), 0.0, 100.0) for count, hits in inside.items()
    ]
    return [
        (f"80 % intervals cover, {floats:,} floats with 3 to 7 points, %", 100 * float(np.mean(every)), 76.0, 84.0),
        *lines,
        ("80 % intervals cover up to 8° beyond the range, %", 100 * float(np.mean(beyond)), 70.0, 95.0),
        ("median error inside the range, points", float(np.median(errors)), 0.0, 1.0),
        ("refused, %", 100 * refused / floats, 0.0, 2.0),
    ]


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--floats", type=int, default=2000)
    floats = options.parse_args().floats
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}")
    missed = 0
    for what, measured, least, most in [*costs(), *coverage(floats)]:
        good = least <= measured <= most
        missed += not good
        print(f"{what:<62} {measured:8.2f}   {'' if good else f'MISSED, wanted {least:g} to {most:g}'}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
