"""Reference solutions, and a float that lies in them: the same invented angle law for every test."""

from __future__ import annotations

from datetime import datetime, timedelta

from gylewatch.values import FloatId, Reading
from storage.store import Store

GRAVITIES_SG = (1.000, 1.020, 1.040, 1.060)
ANGLES_DEG = {1.000: 25.0, 1.020: 40.0, 1.040: 52.0, 1.060: 62.0}


def swim(
    store: Store,
    float_id: FloatId,
    until: datetime,
    angle_deg: float,
    *,
    swing_deg: float = 0.05,
    every_s: float = 20.0,
) -> None:
    """Two minutes of a float in a solution, swinging to and fro about its angle."""
    count = int(120 / every_s)
    store.append_readings(
        [
            Reading(
                time=until - timedelta(seconds=every_s * (count - 1 - number)),
                float_id=float_id,
                angle_deg=angle_deg + swing_deg * (-1) ** number,
                temperature_c=20.0,
            )
            for number in range(count)
        ]
    )
