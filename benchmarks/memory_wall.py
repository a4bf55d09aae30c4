"""Resident memory of the real service with 20 lively floats, by the clock on the wall. Goal: at most 160 MiB, and flat.

Run: .venv/bin/python -m benchmarks.memory_wall [MINUTES]

`gylewatch serve` runs as a process of its own with a real mosquitto; 20 floats, each in a batch two days old, report
every five seconds. Every minute the page, a batch and the API are asked for and the memory is read. `benchmarks.memory`
covers weeks of beer time; this covers what only real time shows: ticks, connections, threads.
"""

from __future__ import annotations

import dataclasses
import itertools
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.request import urlopen

import numpy as np

from benchmarks.memory import FLOATS, beers, furnish, resident_mib
from collector.senml import encode_senml_json
from collector.topics import readings_topic
from gylewatch.demo_brewery import Beer, readings_of
from gylewatch.values import FloatId, Reading
from storage.store import Store
from tests.broker import Broker, free_port
from tests.collector.sender import connected_sender

EVERY_S = 5.0
AGE = timedelta(days=2)
ROCKING_DEG = 0.15
GOAL_MIB = 160.0


def now_of(course: list[Reading], generator: np.random.Generator) -> Reading:
    """What the float reports now: between its course's readings on a straight line, and rocking."""
    now = datetime.now(UTC)
    after = next(index for index, each in enumerate(course) if each.time > now)
    first, second = course[after - 1], course[after]
    part = (now - first.time) / (second.time - first.time)
    angle = first.angle_deg + part * (second.angle_deg - first.angle_deg) + generator.normal(0.0, ROCKING_DEG)
    temperature = first.temperature_c + part * (second.temperature_c - first.temperature_c)
    return dataclasses.replace(first, time=now, angle_deg=round(angle, 2), temperature_c=round(temperature, 2))


def courses(pitched: datetime) -> list[list[Reading]]:
    return [list(readings_of(beer, pitched, np.random.default_rng(100 + n))) for n, beer in enumerate(beers())]


def configure(folder: Path, broker_port: int, page_port: int) -> Path:
    path = folder / "gylewatch.toml"
    sections = '[database]\nurl = "sqlite:///bench.sqlite"\n[log]\nlevel = "warning"\n'
    path.write_text(f"{sections}[[mqtt]]\nport = {broker_port}\n[http]\nport = {page_port}\n", encoding="utf-8")
    return path


def look(address: str) -> None:
    for path in ("", "batches/beer-0", "api/v1/batches/beer-1/estimates?limit=1000", "api/v1/health"):
        with urlopen(address + path, timeout=60) as answer:
            answer.read()


def minutes_passed(start: float) -> float:
    return (time.perf_counter() - start) / 60.0


def turns(start: float, minutes: float) -> Iterator[None]:
    """One turn of all floats every `EVERY_S` seconds."""
    for number in itertools.count():
        if minutes_passed(start) >= minutes:
            return
        yield
        time.sleep(max(0.0, start + (number + 1) * EVERY_S - time.perf_counter()))


def feed(
    process: subprocess.Popen[bytes], address: str, broker_port: int, minutes: float, pitched: datetime
) -> tuple[int, list[float]]:
    """Publish, look and print; gives how many readings were sent in all, and the memory of each minute."""
    generator, start, shown, sent = np.random.default_rng(7), time.perf_counter(), 0.0, 0
    seen: list[float] = []
    floats: list[tuple[Beer, list[Reading]]] = list(zip(beers(), courses(pitched), strict=True))
    with connected_sender(broker_port) as sender:
        for _ in turns(start, minutes):
            for beer, course in floats:
                payload = encode_senml_json([now_of(course, generator)], timeless=True)
                sender.send(readings_topic(beer.float_name), payload)
                sent += 1
                time.sleep(EVERY_S / FLOATS / 2)  # one after another, as floats do
            if minutes_passed(start) >= shown:
                look(address)
                seen.append(resident_mib(process.pid))
                print(f"{minutes_passed(start):8.1f}{sent:9d}{seen[-1]:9.1f}", flush=True)
                shown += 1.0
    return sent, seen


def await_page(process: subprocess.Popen[bytes], address: str) -> None:
    for _ in range(600):
        if process.poll() is not None:
            raise RuntimeError("the service ended; its log is above")
        try:
            with urlopen(f"{address}api/v1/health", timeout=5) as answer:
                if b"connected since" in answer.read():
                    return
        except OSError:
            pass
        time.sleep(0.1)
    raise RuntimeError("the service did not connect within a minute")


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    pitched = datetime.now(UTC).replace(microsecond=0) - AGE
    with tempfile.TemporaryDirectory() as name, Broker(Path(name) / "broker") as broker:
        folder, page = Path(name), free_port()
        url = f"sqlite:///{folder}/bench.sqlite"
        furnish(url, pitched)
        begun = datetime.now(UTC)
        with Store.open(url) as store:
            for course in courses(pitched):
                store.append_readings([each for each in course if each.time < begun])
        config = configure(folder, broker.port, page)
        process = subprocess.Popen([sys.executable, "-m", "gylewatch.cli", "serve", "--config", str(config)])
        try:
            address = f"http://127.0.0.1:{page}/"
            await_page(process, address)
            print(f"{platform.machine()}, Python {platform.python_version()}, {FLOATS} floats, every {EVERY_S:g} s")
            print(f"{'min':>8}{'sent':>9}{'RSS MiB':>9}")
            sent, seen = feed(process, address, broker.port, minutes, pitched)
        finally:
            process.terminate()
            process.wait(30)
        print(f"{sent} sent, {stored_since(url, begun)} stored")
        half = seen[len(seen) // 2 :]
        print(
            f"most {max(seen):.1f} MiB (goal {GOAL_MIB:g}); {half[-1] - half[0]:+.1f} in the second half (goal: flat)"
        )


def stored_since(url: str, begun: datetime) -> int:
    with Store.open(url) as store:
        return sum(len(store.readings(FloatId(beer.float_name), since=begun)) for beer in beers())


if __name__ == "__main__":
    main()
