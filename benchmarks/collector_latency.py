"""From publish to committed row at a steady rate, on a real mosquitto and SQLite: median and 99th percentile.

python -m benchmarks.collector_latency [--rate 200] [--seconds 20]
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

from benchmarks.collector import FLOATS, client
from collector.inbox import Inbox
from collector.ingest import Ingest
from collector.mqtt import MqttCollector
from collector.mqtt_settings import MqttSettings
from collector.packet import Rejected
from collector.senml import encode_senml_json
from collector.topics import readings_topic
from gylewatch.values import ProbeReading, Reading
from storage.records import FloatRecord
from storage.store import Store
from tests.broker import Broker
from tests.eventually import eventually

START = datetime.now(UTC).replace(microsecond=0) - timedelta(days=20)


class TimedSink:
    """The store, and when each reading was committed, by its number."""

    def __init__(self, store: Store, wanted: int) -> None:
        self._store = store
        self._wanted = wanted
        self.committed_s: dict[int, float] = {}
        self.done = threading.Event()

    def append_readings(self, readings: Sequence[Reading], /) -> int:
        new = self._store.append_readings(readings)
        now_s = time.perf_counter()
        for reading in readings:
            self.committed_s[round((reading.time - START).total_seconds())] = now_s
        if len(self.committed_s) >= self._wanted:
            self.done.set()
        return new

    def append_probe_readings(self, readings: Sequence[ProbeReading], /) -> int:
        return self._store.append_probe_readings(readings)

    def append_rejected(self, rejected: Sequence[Rejected], /) -> None:
        self._store.append_rejected(rejected)

    def keep_signals(self, readings: Sequence[Reading], /) -> None:
        self._store.keep_signals(readings)


def published_s(port: int, rate: float, count: int) -> list[float]:
    """Publish `count` readings at `rate` per second; when each was handed to the client."""
    connected = threading.Event()
    sender = client("sender", "5", port)
    sender.on_connect = lambda *_: connected.set()
    sender.loop_start()
    assert connected.wait(10)
    start_s = time.perf_counter()
    times = []
    for number in range(count):
        time.sleep(max(0.0, start_s + number / rate - time.perf_counter()))
        name = FLOATS[number % len(FLOATS)]
        reading = Reading(time=START + timedelta(seconds=number), float_id=name, angle_deg=40.0, temperature_c=19.0)
        times.append(time.perf_counter())
        sender.publish(readings_topic(name), encode_senml_json([reading]), qos=1)
    sender.disconnect()
    sender.loop_stop()
    return times


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rate", type=float, default=200.0)
    parser.add_argument("--seconds", type=float, default=20.0)
    options = parser.parse_args()
    count = int(options.rate * options.seconds)
    with (
        tempfile.TemporaryDirectory() as folder,
        Broker(Path(folder) / "broker") as broker,
        closing(Store.open(f"sqlite:///{Path(folder) / 'latency.sqlite'}")) as store,
    ):
        for name in FLOATS:
            store.add_float(FloatRecord(float_id=name, note="", address=None, created=datetime.now(UTC)))
        sink, inbox = TimedSink(store, count), Inbox()
        ingest, mqtt = Ingest(inbox, sink, store.float_ids), MqttCollector(MqttSettings(port=broker.port), inbox)
        ingest.start()
        mqtt.start()
        eventually("the collector connects", lambda: mqtt.health().connected)
        sent_s = published_s(broker.port, options.rate, count)
        assert sink.done.wait(60), f"only {len(sink.committed_s)} of {count} were stored"
        ingest.stop()
        mqtt.stop()
    waits_s = sorted(sink.committed_s[number] - sent_s[number] for number in range(count))
    p99_s = waits_s[int(0.99 * count)]
    median_ms = statistics.median(waits_s) * 1e3
    print(
        f"{count} messages at {options.rate:g}/s, publish to committed row: median {median_ms:.1f} ms, "
        f"p99 {p99_s * 1e3:.1f} ms, worst {waits_s[-1] * 1e3:.1f} ms (wanted p99 <= 500 ms)"
    )
    return 0 if p99_s <= 0.5 else 1


if __name__ == "__main__":
    sys.exit(main())
