"""The demo's floats and probe: each is a client of its own that publishes SenML over real MQTT, at accelerated time."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from paho.mqtt.client import Client, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion

from collector.mqtt_settings import MqttSettings
from collector.senml import encode_senml_cbor, encode_senml_json
from collector.topics import readings_topic, temperatures_topic
from gylewatch.clock import SteppedClock
from gylewatch.demo_brewery import BEERS, INTERVAL, LENGTH, Beer, probe_readings_of, readings_of
from gylewatch.errors import TransportError
from gylewatch.values import FloatId, ProbeReading, Reading

AHEAD: Final = timedelta(hours=1)
# How far the floats may run ahead of what the service has concluded. A slow machine makes the demo slower; it must not
# make a float look silent.
PATIENCE_S: Final = 20.0  # longest wait for the service; then the floats go on, as real ones would


@contextmanager
def connected_floats(broker: MqttSettings) -> Iterator[dict[str, Client]]:
    """A connected client for each float and each probe.

    Raises
    ------
    TransportError
        The broker cannot be reached.
    """
    clients: dict[str, Client] = {}
    try:
        for beer in BEERS:
            clients[beer.float_name] = _connected(broker, f"float-{beer.float_name}")
            if beer.probe is not None:
                clients[beer.probe] = _connected(broker, f"probe-{beer.probe}")
        yield clients
    finally:
        for client in clients.values():
            client.disconnect()
            client.loop_stop()


def _connected(broker: MqttSettings, client_id: str) -> Client:
    client = Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTv311)
    ready = threading.Event()
    client.on_connect = lambda *_: ready.set()
    try:
        client.connect(broker.host, broker.port)
    except OSError as error:
        raise TransportError(f"the broker at {broker.place} cannot be reached ({error.strerror or error})") from None
    client.loop_start()
    if not ready.wait(10.0):
        client.loop_stop()
        raise TransportError(f"the broker at {broker.place} does not answer; check that it speaks MQTT 3.1.1")
    return client


def publish_all(
    clients: dict[str, Client],
    *,
    pitched: datetime,
    clock: SteppedClock,
    concluded_until: Callable[[FloatId], datetime | None],
    on_interval: Callable[[datetime], None],
    interval_s: float,
    stopping: threading.Event,
) -> None:
    """Let the beers ferment: publish what floats and probes report, and turn the clock.

    Parameters
    ----------
    clients : by float or probe
    pitched : when the beers were pitched; the clock starts there
    concluded_until : the newest reading of a float from which the service has drawn its conclusions
    on_interval : called after each interval of the floats with its time
    interval_s : real seconds for one interval, if the machine keeps up
    stopping : ends it at once
    """
    sources = {
        beer.float_name: readings_of(beer, pitched, np.random.default_rng([20, index]))
        for index, beer in enumerate(BEERS)
    }
    probes = [probe_readings_of(beer, pitched, np.random.default_rng([30, i])) for i, beer in enumerate(BEERS)]
    waiting: dict[str, Reading | None] = {name: next(source, None) for name, source in sources.items()}
    last: dict[str, datetime] = {}
    for index in range(1, int(LENGTH / INTERVAL) + 1):
        due = time.monotonic() + interval_s
        now = pitched + index * INTERVAL
        clock.move_to(now)
        for probe in probes:
            heard = next(probe, None)
            if heard is not None:
                _publish_probe(clients[heard.probe], heard)
        for beer in BEERS:
            reading = waiting[beer.float_name]
            if reading is not None and reading.time <= now:
                _publish(clients[beer.float_name], beer, reading)
                last[beer.float_name] = reading.time
                waiting[beer.float_name] = next(sources[beer.float_name], None)
        _wait_for_service(last, concluded_until, stopping)
        if stopping.wait(max(0.0, due - time.monotonic())):
            return
        on_interval(now)


def _publish(client: Client, beer: Beer, reading: Reading) -> None:
    encode = encode_senml_cbor if beer.encoding == "cbor" else encode_senml_json
    client.publish(readings_topic(beer.float_name), encode([reading]), qos=1)


def _publish_probe(client: Client, heard: ProbeReading) -> None:
    record = {"n": "temperature", "u": "Cel", "v": heard.temperature_c, "bt": heard.time.timestamp()}
    client.publish(temperatures_topic(heard.probe), json.dumps([record]), qos=1)


def _wait_for_service(
    last: dict[str, datetime], concluded_until: Callable[[FloatId], datetime | None], stopping: threading.Event
) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline and not stopping.is_set():
        behind = [
            published - concluded
            for name, published in last.items()
            if (concluded := concluded_until(FloatId(name))) is not None
        ]
        # Until a float is heard for the first time there is nothing to be ahead of, but a few intervals.
        if len(behind) == len(last) and max(behind, default=timedelta()) <= AHEAD:
            return
        stopping.wait(0.005)
