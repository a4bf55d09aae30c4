"""Resident memory of the service with 20 floats over accelerated time. Goal: at most 160 MiB, and flat.

Run: .venv/bin/python -m benchmarks.memory [HOURS]

The service runs in this process's child with a real mosquitto; 20 floats report every five minutes of accelerated time.
The memory is read at the start and after each tenth of the time, with the page and the API asked for in between.
"""

from __future__ import annotations

import multiprocessing
import platform
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from multiprocessing.connection import Connection
from pathlib import Path
from urllib.request import urlopen

import numpy as np
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from calibration.fit import fit_curve
from collector.mqtt_settings import MqttSettings
from collector.senml import encode_senml_json
from collector.topics import readings_topic
from gylewatch.clock import SteppedClock
from gylewatch.config import Settings
from gylewatch.demo_brewery import BEERS, Beer, batch_of, readings_of, references_of
from gylewatch.logs import LogSettings, configure
from gylewatch.service import Service
from gylewatch.values import FloatId, Reading, VesselId
from storage.records import FloatRecord, VesselRecord
from storage.store import Store
from tests.broker import Broker
from web.settings import HttpSettings

FLOATS = 20
PITCHED = datetime.now(UTC).replace(microsecond=0) - timedelta(days=14)


def beers() -> tuple[Beer, ...]:
    """Twenty beers: the demo's three, again and again under other names."""
    from dataclasses import replace

    return tuple(
        replace(BEERS[n % 3], name=f"Beer {n}", float_name=f"float{n}", vessel=f"FV{n}") for n in range(FLOATS)
    )


def furnish(url: str, pitched: datetime = PITCHED) -> None:
    with Store.open(url) as store:
        for number, beer in enumerate(beers()):
            store.add_float(FloatRecord(float_id=FloatId(beer.float_name), created=pitched))
            store.add_vessel(VesselRecord(vessel_id=VesselId(beer.vessel), created=pitched))
            references = references_of(beer, np.random.default_rng(number))
            store.add_curve(fit_curve(references), references, who="bench", note="", created=pitched)
            store.add_batch(batch_of(beer, pitched), created=pitched)


def serve(url: str, port: int, pipe: Connection) -> None:
    """The child: the whole service, on a clock that the parent turns."""
    configure(LogSettings(level="error"))
    clock = SteppedClock(PITCHED)
    settings = Settings(database_url=url, brokers=(MqttSettings(port=port),), http=HttpSettings(port=0))
    service = Service(settings, clock=clock, tick_s=1.0)
    service.start()
    pipe.send(service.address)
    while (message := pipe.recv()) is not None:
        clock.move_to(message)
        floats = [FloatId(beer.float_name) for beer in beers()]
        pipe.send((resident_mib(), [service.concluded_until(each) for each in floats]))
    service.stop()


def resident_mib(process: int | str = "self") -> float:
    status = Path(f"/proc/{process}/status").read_text(encoding="ascii")
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


def readings(beer: Beer, number: int) -> Iterator[Reading]:
    return readings_of(beer, PITCHED, np.random.default_rng(100 + number))


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 72.0
    with tempfile.TemporaryDirectory() as name, Broker(Path(name) / "broker") as broker:
        url = f"sqlite:///{name}/bench.sqlite"
        furnish(url)
        ours, theirs = multiprocessing.get_context("spawn").Pipe()
        child = multiprocessing.get_context("spawn").Process(target=serve, args=(url, broker.port, theirs))
        child.start()
        address = ours.recv()
        client = Client(CallbackAPIVersion.VERSION2)
        connected = threading.Event()
        client.on_connect = lambda *_: connected.set()
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        connected.wait(10)
        print(f"{platform.machine()}, Python {platform.python_version()}, {FLOATS} floats, {hours:g} h of beer time")
        print(f"{'beer h':>8}{'wall s':>9}{'RSS MiB':>9}")
        feed(ours, client, address, hours)
        client.disconnect()
        client.loop_stop()
        ours.send(None)
        child.join(15)


def feed(pipe: Connection, client: Client, address: str, hours: float) -> None:
    sources = {beer.float_name: readings(beer, number) for number, beer in enumerate(beers())}
    start, tenth = time.perf_counter(), hours / 10
    shown = 0.0
    now = PITCHED
    while now < PITCHED + timedelta(hours=hours):
        now += timedelta(minutes=15)
        newest = {}
        for name, source in sources.items():
            reading = next(source, None)
            if reading is not None:
                client.publish(readings_topic(name), encode_senml_json([reading]), qos=1)
                newest[name] = reading.time
        pipe.send(max(now, max(newest.values(), default=now)))
        memory, concluded = pipe.recv()
        while (
            newest
            and any(each is None or each < now - timedelta(hours=2) for each in concluded)
            and (now > PITCHED + timedelta(hours=4))
        ):
            time.sleep(0.02)
            pipe.send(now)
            memory, concluded = pipe.recv()
        done = (now - PITCHED) / timedelta(hours=1)
        if done >= shown:
            for path in ("", "batches/beer-0", "api/v1/batches/beer-1/estimates?limit=1000"):
                with urlopen(address + path, timeout=30) as answer:
                    answer.read()
            print(f"{done:8.1f}{time.perf_counter() - start:9.1f}{memory:9.1f}", flush=True)
            shown += tenth


if __name__ == "__main__":
    main()
