"""The demo: three invented beers, real messages, the real service, and nothing left behind."""

from __future__ import annotations

import socket
import tempfile
import threading
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from alerts.advice import ADVICE
from alerts.alert import Kind
from calibration.fit import fit_curve
from collector.mqtt_settings import MqttSettings
from collector.probe import Probe
from gylewatch.clock import SteppedClock
from gylewatch.config import ChannelSettings, Settings
from gylewatch.demo_brewery import BEERS, LENGTH, batch_of, references_of
from gylewatch.demo_broker import given_broker, own_broker
from gylewatch.demo_floats import connected_floats, publish_all
from gylewatch.demo_sink import Sink
from gylewatch.service import Service, stop_signals
from gylewatch.values import BatchId, FloatId, VesselId, slug
from storage.records import FloatRecord, VesselRecord
from storage.store import Store
from web.settings import HttpSettings

INTERVAL_S: Final = 0.04  # a quarter of an hour of the beers: twelve days in about three quarters of a minute
TICK_S: Final = 0.5

Say = Callable[[str], None]


def run_demo(*, broker: str | None, port: int | None, exit_when_finished: bool, say: Say) -> bool:
    """Run the demo until it is stopped.

    Parameters
    ----------
    broker : ``HOST:PORT`` of a broker that runs already; None: bring one along
    port : of the page; None: the usual one, or any free one if that is taken
    exit_when_finished : end as soon as a notification of a finished batch has arrived, or all beers are through
    say : prints one line

    Returns
    -------
    Whether a notification of a finished batch has arrived.

    Raises
    ------
    ConfigError, TransportError
        There is no broker to be had, or the port is taken.
    """
    with stop_signals() as stopping, ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="gylewatch-demo-")))
        mqtt = given_broker(broker) if broker else stack.enter_context(own_broker(folder))
        desk = _Desk(say, stopping if exit_when_finished else None)
        sink = stack.enter_context(Sink(desk.notice))
        pitched = datetime.now(UTC).replace(minute=0, second=0, microsecond=0) - LENGTH
        clock = SteppedClock(pitched)
        settings = _settings(folder, mqtt, sink.url, _page_port() if port is None else port)
        store = stack.enter_context(Store.open(settings.database_url))
        _prepare(store, pitched)

        service = Service(settings, clock=clock, tick_s=TICK_S)
        service.start()
        stack.callback(service.stop)
        clients = stack.enter_context(connected_floats(mqtt))
        say(f"the page is at {service.address}   (Ctrl-C ends the demo)")
        say(f"{len(BEERS)} beers ferment: twelve days pass in about a minute")
        publish_all(
            clients,
            pitched=pitched,
            clock=clock,
            concluded_until=service.concluded_until,
            on_interval=_Diary(store, pitched, say).turn,
            interval_s=INTERVAL_S,
            stopping=stopping,
        )
        if not stopping.is_set():
            say(f"all beers are through; the page stays at {service.address} until Ctrl-C")
            if not exit_when_finished:
                stopping.wait()
        say("stopping; nothing is left behind")
    return desk.has_finished


class _Desk:
    """Where the notifications arrive."""

    def __init__(self, say: Say, stopping: threading.Event | None) -> None:
        self._say = say
        self._stopping = stopping
        self.has_finished = False

    def notice(self, title: str, message: str) -> None:
        lines = message.strip().splitlines()
        self._say(f"  notified: {title}. {lines[0] if lines else ''}")
        if title.endswith(f": {ADVICE[Kind.FERMENTATION_FINISHED].title}"):
            self.has_finished = True
            if self._stopping is not None:
                self._stopping.set()


class _Diary:
    """One line for each day of the beers."""

    def __init__(self, store: Store, pitched: datetime, say: Say) -> None:
        self._store = store
        self._pitched = pitched
        self._say = say
        self._day = 0

    def turn(self, now: datetime) -> None:
        day = (now - self._pitched) // timedelta(days=1)
        if day == self._day:
            return
        self._day = day
        parts = []
        for beer in BEERS:
            estimate = self._store.latest_estimate(BatchId(slug(beer.name)))
            belief = "no estimate yet" if estimate is None else f"{estimate.gravity_sg:.4f} {estimate.phase}"
            parts.append(f"{beer.name} {belief}")
        self._say(f"day {day:2d}  " + "   ".join(parts))


def _settings(folder: Path, mqtt: MqttSettings, sink: str, port: int) -> Settings:
    probes = tuple(Probe(name=beer.probe, vessel=VesselId(beer.vessel)) for beer in BEERS if beer.probe is not None)
    return Settings(
        database_url=f"sqlite:///{folder / 'demo.sqlite'}",
        brokers=(replace(mqtt, probes=probes),),
        http=HttpSettings(port=port),
        channels=(ChannelSettings(name="demo", url=sink),),
    )


def _page_port() -> int:
    usual = HttpSettings().port
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HttpSettings().host, usual))
        except OSError:
            return 0
    return usual


def _prepare(store: Store, pitched: datetime) -> None:
    for index, beer in enumerate(BEERS):
        references = references_of(beer, np.random.default_rng([10, index]))
        store.add_float(FloatRecord(float_id=FloatId(beer.float_name), created=pitched, note="simulated"))
        store.add_vessel(VesselRecord(vessel_id=VesselId(beer.vessel), created=pitched, volume_l=beer.volume_l))
        store.add_curve(fit_curve(references), references, who="demo", note="simulated", created=pitched)
        store.add_batch(batch_of(beer, pitched), created=pitched)
