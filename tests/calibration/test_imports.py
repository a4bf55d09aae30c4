"""Calibration runs on small boards: what it costs to import, and what it may not touch."""

from __future__ import annotations

import subprocess
import sys

MODULES = "calibration.fit, calibration.hydrometry, calibration.recalibrate, calibration.settling, calibration.solution"


def test_calibration_loads_no_scipy_and_no_input_output() -> None:
    program = f"import sys, {MODULES}; print(*sorted(sys.modules))"

    loaded = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout.split()

    assert "calibration.regression" in loaded
    assert not {"scipy", "sqlalchemy", "fastapi", "bleak", "paho", "asyncio"} & set(loaded)
