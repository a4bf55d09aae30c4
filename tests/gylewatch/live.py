"""The whole service for tests: in this process or in one of its own, on a real broker, database and HTTP sink."""

from __future__ import annotations

import http.client
import json
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from alerts.settings import AlertSettings
from calibration.fit import fit_curve
from collector.mqtt_settings import MqttSettings
from collector.senml import encode_senml_cbor, encode_senml_json
from collector.topics import readings_topic
from gylewatch.batch_file import read_batch
from gylewatch.clock import SteppedClock
from gylewatch.config import ChannelSettings, Settings
from gylewatch.demo_sink import Sink
from gylewatch.service import Service
from gylewatch.tables import read_references
from gylewatch.values import BatchId, FloatId, Reading, VesselId
from gylewatch.watch import BatchWatch
from storage.records import FloatRecord, VesselRecord
from storage.store import Store
from tests.broker import free_port
from tests.collector.sender import connected_sender
from tests.eventually import eventually
from tests.gylewatch.brew import write_batch, write_references
from web.settings import HttpSettings

BATCH = BatchId("ferry-lane-pale")
TOKEN = "a-token-for-this-test-only"
FINISHED = "Fermentation has finished"


class Inbox:
    """What the sink received."""

    def __init__(self) -> None:
        self.notices: list[tuple[str, str]] = []

    def take(self, title: str, message: str) -> None:
        self.notices.append((title, message))

    def has(self, words: str) -> bool:
        return any(words in title for title, _ in self.notices)


def watch(store: Store) -> BatchWatch:
    """A watch over the only batch, telling one channel."""
    return BatchWatch(store, store.batches()[0], AlertSettings(), ("phone",))


def furnish(
    folder: Path, pitched: datetime, *, curve: bool = True, address: str | None = None, server: str | None = None
) -> str:
    """A database with one float, vessel, curve and batch; gives its url.

    server : the url of an empty database; else it is a file in `folder`
    """
    url = server or f"sqlite:///{folder / 'gylewatch.sqlite'}"
    with Store.open(url) as store:
        store.add_float(FloatRecord(float_id=FloatId("heron"), created=pitched, address=address))
        store.add_vessel(VesselRecord(vessel_id=VesselId("FV1"), created=pitched))
        points = read_references(write_references(folder))
        if curve:
            store.add_curve(fit_curve(points), points, who="Ada", note="", created=pitched)
        store.add_batch(read_batch(write_batch(folder, pitched)), created=pitched)
    return url


def settings(url: str, port: int | None, sink: Sink | None = None) -> Settings:
    return Settings(
        database_url=url,
        brokers=() if port is None else (MqttSettings(port=port),),
        http=HttpSettings(port=0, token=TOKEN),
        channels=() if sink is None else (ChannelSettings(name="phone", url=sink.url),),
    )


@contextmanager
def running(wanted: Settings, now: datetime, *, tick_s: float = 60.0, connect: bool = True) -> Iterator[Service]:
    """The service in this process; connected, because a broker keeps nothing for a subscriber it has not seen yet."""
    service = Service(wanted, clock=SteppedClock(now), tick_s=tick_s)
    service.start()
    try:
        if connect:
            eventually("it is connected", lambda: all("connected since" in each for each in service.health().brokers))
        yield service
    finally:
        service.stop()


def publish(port: int, readings: tuple[Reading, ...]) -> None:
    """As a float that kept its readings while it was out of range: packs of 20, JSON and CBOR in turn."""
    with connected_sender(port) as sender:
        for number, start in enumerate(range(0, len(readings), 20)):
            encode = encode_senml_cbor if number % 2 else encode_senml_json
            sender.send(readings_topic("heron"), encode(readings[start : start + 20]))


def ask(service: Service, path: str) -> Any:
    return json.loads(request(service, "GET", path)[1])


def request(
    service: Service, method: str, path: str, body: bytes | None = None, headers: dict[str, str] | None = None
) -> tuple[int, bytes]:
    host, port = service.address.removeprefix("http://").rstrip("/").split(":")
    connection = http.client.HTTPConnection(host, int(port), timeout=10)
    connection.request(method, path, body, headers or {})
    answer = connection.getresponse()
    content = answer.read()
    connection.close()
    return answer.status, content


def retained_state(port: int) -> bytes:
    """The state that a program finds which subscribes now; empty: none is retained."""
    found: list[MQTTMessage] = []
    subscribed = threading.Event()
    program = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    program.on_message = lambda _, __, message: found.append(message)
    program.on_subscribe = lambda *_: subscribed.set()
    program.connect("127.0.0.1", port)
    program.loop_start()
    program.subscribe([(f"gylewatch/v1/state/{BATCH}", 1), ("end-of-what-is-retained", 1)])
    assert subscribed.wait(10)
    program.publish("end-of-what-is-retained", qos=1)
    eventually("what is retained has come", lambda: any(each.topic == "end-of-what-is-retained" for each in found))
    program.disconnect()
    program.loop_stop()
    return next((bytes(each.payload) for each in found if each.retain), b"")


class Process:
    """``gylewatch serve`` as a process of its own."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._running: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self._folder / "serve.log").open("ab") as log:
            self._running = subprocess.Popen(
                [sys.executable, "-m", "gylewatch.cli", "serve", "--config", str(self._folder / "gylewatch.toml")],
                stdout=log,
                stderr=log,
            )

    def end(self, how: signal.Signals) -> int:
        assert self._running is not None
        self._running.send_signal(how)
        return self._running.wait(15)

    def __enter__(self) -> Process:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._running is not None and self._running.poll() is None:
            self._running.kill()
            self._running.wait(15)


def configure(folder: Path, port: int, sink: Sink | None = None) -> None:
    notify = "" if sink is None else f'[[notify]]\nname = "phone"\nurl = "{sink.url}"\n'
    sections = f'[database]\nurl = "sqlite:///gylewatch.sqlite"\n[[mqtt]]\nport = {port}\n'
    (folder / "gylewatch.toml").write_text(f"{sections}[http]\nport = {free_port()}\n{notify}")


def log(folder: Path) -> str:
    path = folder / "serve.log"
    return path.read_text(encoding="utf-8") if path.exists() else ""
