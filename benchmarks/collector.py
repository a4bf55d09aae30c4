"""Messages per second from a real mosquitto into committed SQLite rows, against a bare paho loop on the same broker.

Both drain the same number of queued QoS 1 messages (one SenML JSON reading each) from a persistent session, so the
broker is never waited for. The rounds alternate and the median ratio is printed.

    python -m benchmarks.collector [--messages 10000] [--rounds 3] [--protocol 5]
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
from typing import Any, Literal, NamedTuple

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from collector.inbox import Inbox
from collector.ingest import Ingest
from collector.mqtt import IN_FLIGHT, MqttCollector
from collector.mqtt_settings import MqttSettings
from collector.packet import Rejected
from collector.senml import encode_senml_json
from collector.topics import readings_filter, readings_topic
from gylewatch.values import FloatId, ProbeReading, Reading
from storage.records import FloatRecord
from storage.store import Store
from tests.broker import Broker

FLOATS = tuple(FloatId(f"float{number:02}") for number in range(20))
LIMIT_S = 300.0
Protocol = Literal["5", "3.1.1"]


def client(client_id: str, protocol: Protocol, port: int) -> Client:
    version5 = protocol == "5"
    made = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=MQTTProtocolVersion.MQTTv5 if version5 else MQTTProtocolVersion.MQTTv311,
        clean_session=None if version5 else False,
    )
    made.max_inflight_messages_set(200)
    if version5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 3600
        properties.ReceiveMaximum = IN_FLIGHT
        made.connect_async("127.0.0.1", port, clean_start=False, properties=properties)
    else:
        made.connect_async("127.0.0.1", port)
    return made


def leave_session(client_id: str, protocol: Protocol, port: int) -> None:
    """Subscribe and go away, so that the broker queues for `client_id`."""
    done = threading.Event()
    subscriber = client(client_id, protocol, port)
    subscriber.on_connect = lambda c, *_: c.subscribe(readings_filter(), 1)
    subscriber.on_subscribe = lambda *_: done.set()
    subscriber.loop_start()
    assert done.wait(10)
    subscriber.disconnect()
    subscriber.loop_stop()


def publish(port: int, count: int, offset: int) -> None:
    """Queue `count` readings, all different, dealt out over the floats."""
    start = datetime.now(UTC).replace(microsecond=0) - timedelta(days=20)
    connected = threading.Event()
    sender = client("sender", "5", port)
    sender.on_connect = lambda *_: connected.set()
    sender.loop_start()
    assert connected.wait(10)
    receipts = []
    for number in range(offset, offset + count):
        name = FLOATS[number % len(FLOATS)]
        reading = Reading(
            time=start + timedelta(seconds=number),
            float_id=name,
            angle_deg=25.0 + number % 4000 / 100,
            temperature_c=19.3,
            battery_v=3.9,
            rssi_dbm=-71,
        )
        receipts.append(sender.publish(readings_topic(name), encode_senml_json([reading]), qos=1))
    for receipt in receipts:
        receipt.wait_for_publish(LIMIT_S)
    sender.disconnect()
    sender.loop_stop()


class Cost(NamedTuple):
    """What one way of receiving took. The processor time hardly changes when others use the machine too."""

    per_s: float
    cpu_us: float  # of this process for each message; the broker's is not in it


def bare_loop(protocol: Protocol, port: int, count: int) -> Cost:
    """Paho alone: receive, count, acknowledge."""
    done = threading.Event()
    seen = 0

    def on_message(_: Client, __: Any, ___: Any) -> None:
        nonlocal seen
        seen += 1
        if seen == count:
            done.set()

    consumer = client("bare", protocol, port)
    consumer.on_message = on_message
    started, started_cpu = time.perf_counter(), time.process_time()
    consumer.loop_start()
    assert done.wait(LIMIT_S), f"only {seen} of {count} came"
    cost = Cost(count / (time.perf_counter() - started), (time.process_time() - started_cpu) / count * 1e6)
    consumer.disconnect()
    consumer.loop_stop()
    return cost


class CountingSink:
    """The store, and an event once `wanted` rows are committed."""

    def __init__(self, store: Store, wanted: int) -> None:
        self._store = store
        self._wanted = wanted
        self.commits = 0
        self.done = threading.Event()

    def append_readings(self, readings: Sequence[Reading], /) -> int:
        new = self._store.append_readings(readings)
        self.commits += 1
        self._wanted -= new
        if self._wanted <= 0:
            self.done.set()
        return new

    def append_probe_readings(self, readings: Sequence[ProbeReading], /) -> int:
        return self._store.append_probe_readings(readings)

    def append_rejected(self, rejected: Sequence[Rejected], /) -> None:
        self._store.append_rejected(rejected)

    def keep_signals(self, readings: Sequence[Reading], /) -> None:
        self._store.keep_signals(readings)


def collected(protocol: Protocol, port: int, count: int, database: Path) -> tuple[Cost, int]:
    """The collector into committed rows, and the number of commits."""
    with closing(Store.open(f"sqlite:///{database}")) as store:
        for name in FLOATS:
            store.add_float(FloatRecord(float_id=name, note="", address=None, created=datetime.now(UTC)))
        sink, inbox = CountingSink(store, count), Inbox()
        ingest = Ingest(inbox, sink, store.float_ids)
        mqtt = MqttCollector(MqttSettings(port=port, protocol=protocol, client_id="collector"), inbox)
        started, started_cpu = time.perf_counter(), time.process_time()
        ingest.start()
        mqtt.start()
        assert sink.done.wait(LIMIT_S), f"not stored: {ingest.health()}"
        cost = Cost(count / (time.perf_counter() - started), (time.process_time() - started_cpu) / count * 1e6)
        ingest.stop()
        mqtt.stop()
        return cost, sink.commits


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--messages", type=int, default=10_000)
    arguments.add_argument("--rounds", type=int, default=3)
    arguments.add_argument("--protocol", choices=("5", "3.1.1"), default="5")
    arguments.add_argument("--at-least", type=float, default=0.6, help="fail below this ratio")
    options = arguments.parse_args()
    ratios = []
    with tempfile.TemporaryDirectory() as folder, Broker(Path(folder) / "broker") as broker:
        for turn in range(options.rounds):
            for client_id in ("bare", "collector"):
                leave_session(client_id, options.protocol, broker.port)
            publish(broker.port, options.messages, turn * options.messages)
            bare = bare_loop(options.protocol, broker.port, options.messages)
            cost, commits = collected(
                options.protocol, broker.port, options.messages, Path(folder) / f"round{turn}.sqlite"
            )
            ratios.append(cost.per_s / bare.per_s)
            print(
                f"round {turn + 1}: bare paho {bare.per_s:,.0f}/s ({bare.cpu_us:.0f} us of processor each); "
                f"collector {cost.per_s:,.0f}/s into rows ({cost.cpu_us:.0f} us) in {commits} commits; "
                f"ratio {ratios[-1]:.2f}, of processor time {bare.cpu_us / cost.cpu_us:.2f}"
            )
    median = statistics.median(ratios)
    print(
        f"MQTT {options.protocol}, {options.messages} messages: median ratio {median:.2f} (wanted {options.at_least})"
    )
    return 0 if median >= options.at_least else 1


if __name__ == "__main__":
    sys.exit(main())
