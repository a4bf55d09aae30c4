"""Time until the pages are made. Goals: the board of 300 tanks well below 1 s, a course of 86,400 estimates about 1 s.

Run: .venv/bin/python -m benchmarks.pages [TANKS] [ESTIMATES]

Each page is asked for from the application itself, so neither network nor browser is in the number; the batch's page
holds both still pictures and the table, and its vessel has a probe that reports as often as the float.
"""

from __future__ import annotations

import platform
import statistics
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

from fastapi.testclient import TestClient

from storage.store import Store
from tests.web import brewery

REPEATS = 5


def furnish(store: Store, tanks: int, estimates: int) -> None:
    """Tanks with a day of estimates each, and one with a long course at one a minute."""
    for number in range(tanks):
        batch = brewery.harbour_pale(f"Beer {number}", f"float{number}", f"FV{number}")
        batch_id = brewery.add_batch(store, batch)
        store.append_readings([brewery.reading(hour, batch.float_id) for hour in range(24)])
        store.save_outcomes(batch_id, estimates=brewery.estimates(24.0), alerts=[brewery.started(), brewery.too_warm()])
    long = brewery.add_batch(store, brewery.harbour_pale("Long Lager"))
    for start in range(0, estimates, 5_000):
        minutes = range(start, min(start + 5_000, estimates))
        store.save_outcomes(long, estimates=[brewery.estimate(minute / 60) for minute in minutes])
        store.append_probe_readings([brewery.probed(minute / 60, 18.0 + minute % 97 / 60) for minute in minutes])


def main() -> None:
    tanks, estimates = (int(word) for word in (sys.argv[1:] + ["300", "86400"][len(sys.argv) - 1 :])[:2])
    with tempfile.TemporaryDirectory() as folder, brewery.open_store(Path(folder)) as store:
        furnish(store, tanks, estimates)
        now = brewery.PITCHED + timedelta(minutes=estimates)
        client = TestClient(brewery.application(store, now=now))
        print(f"{platform.machine()}, Python {platform.python_version()}; {tanks} tanks, {estimates} estimates of one")
        print(f"{'':34}{'median s':>9}{'worst s':>9}{'kB':>7}")
        for place in ("/", "/batches/long-lager", "/api/v1/batches/long-lager/graph"):
            taken = []
            for _ in range(REPEATS + 1):
                start = time.perf_counter()
                answer = client.get(place)
                taken.append(time.perf_counter() - start)
                assert answer.status_code == 200, answer.text
            taken = taken[1:]  # the first one compiles templates and queries
            size = len(answer.content) / 1000
            print(f"{place:34}{statistics.median(taken):9.3f}{max(taken):9.3f}{size:7.0f}")


if __name__ == "__main__":
    main()
