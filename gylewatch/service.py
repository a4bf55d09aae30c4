"""Service: starts, supervises and stops the parts; owns the only real clock. All wiring is here."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import partial
from typing import Final

import structlog

from alerts.delivery.apprise_channel import AppriseChannel
from alerts.delivery.channel import Channel
from alerts.delivery.mqtt_channel import MqttChannel
from alerts.delivery.policy import PROGRAMS
from collector.advert import BleDecoding
from collector.ble import BleCollector, RadioHealth
from collector.echo_window import EchoWindow
from collector.inbox import Inbox
from collector.ingest import Ingest, reader
from collector.mqtt import BrokerHealth, MqttCollector
from collector.timekeeper import Timekeeper
from gylewatch.alert_picture import picture_maker
from gylewatch.clock import ServiceClock, SystemClock
from gylewatch.config import Settings
from gylewatch.config_check import doubts
from gylewatch.deliverer import Deliverer
from gylewatch.duties import Duties
from gylewatch.errors import GylewatchError, StorageError
from gylewatch.http_ingest import HttpIngest
from gylewatch.http_server import HttpServer, listen
from gylewatch.nightly import nightly
from gylewatch.outages import Receiver, outage_notices
from gylewatch.reading_sink import ReadingSink
from gylewatch.receivers import STORING, by_one_clock, inner_parts, receivers_of, told_broker, told_radio
from gylewatch.schedule import Schedule
from gylewatch.settling import Settling, look
from gylewatch.state_feed import StateFeed, is_gone
from gylewatch.trial import try_channels
from gylewatch.undelivered import undelivered
from gylewatch.unknown_floats import UnknownFloats
from gylewatch.values import FloatId
from gylewatch.watch import Progress
from gylewatch.worker import Worker
from storage.store import Store
from web.app import create_app
from web.health import ServiceHealth
from web.trial import ChannelTrial

TICK_S: Final = 60.0  # silence is counted in hours; a minute is early enough and costs nothing

REST_S: Final = 0.15
# Between two pieces of the upkeep. Another program that waits for SQLite's lock looks for it every tenth of a second
# at last (the delays of its busy timeout, from memory): without this a command waited for seconds.

_log = structlog.get_logger(__name__)


class Service:
    """The whole service in one process. Start and stop once.

    Parameters
    ----------
    settings : from the configuration
    clock : the machine's, except in the demo and in tests
    tick_s : seconds between two judgements of silence
    """

    def __init__(self, settings: Settings, *, clock: ServiceClock | None = None, tick_s: float = TICK_S) -> None:
        self._settings = settings
        self._clock: ServiceClock = clock or SystemClock()
        self._tick_s = tick_s
        self._upkeep_problem: str | None = None  # of the last night
        self._repeated: list[datetime | None] = [None for _ in settings.brokers]  # since when each was connected then
        self._stops: list[Callable[[], None]] = []  # run in reverse order
        self._stopping = threading.Event()

    def start(self) -> None:
        """Start every part.

        Raises
        ------
        ConfigError
            A certificate, notification address or the page's host cannot be used.
        TransportError
            The port is in use, or this machine has no such address now.
        StorageError
            The database cannot be opened.
        """
        try:
            self._start()
        except BaseException:
            self.stop()
            raise

    def stop(self) -> None:
        """Stop every part, within seconds; what is in hand is saved."""
        self._stopping.set()
        while self._stops:
            stop = self._stops.pop()
            try:
                stop()
            except GylewatchError as error:
                _log.warning("a part did not stop cleanly", problem=str(error))

    @property
    def address(self) -> str:
        """Where a browser finds the page."""
        return self._http.address

    def concluded_until(self, float_id: FloatId) -> datetime | None:
        """The time of the newest reading of a float from which conclusions are saved."""
        return self._worker.concluded_until(float_id)

    def health(self) -> ServiceHealth:
        """A snapshot; any thread."""
        ingest = self._ingest.health()
        brokers = self._broker_health()
        radios = self._radio_health()
        problems = [receiver.problem for receiver in self._receivers() if receiver.problem]
        problems += [ingest.problem] if ingest.problem else []
        problems += self._worker.health().problems
        problems += self._doubts()
        problems += self._duties.problems()
        problems += [said for said in (self._http.problem(), self._upkeep_problem) if said]
        try:
            outbox = self._store.outbox_counts()
            problems += undelivered(self._store.outbox_failing(), self._clock.now())
        except StorageError as error:  # that must be seen here more than anything else
            outbox = {}
            problems.append(str(error))
        return ServiceHealth(
            started=self._started,
            brokers=(*(told_broker(broker) for broker in brokers), *(told_radio(radio) for radio in radios)),
            readings_accepted=ingest.accepted + self._over_http.accepted,
            readings_duplicate=ingest.duplicates + self._over_http.duplicate,
            readings_refused=ingest.rejected + self._over_http.refused,
            queue_depth=ingest.queued,
            outbox=tuple(outbox.items()),
            problems=tuple(dict.fromkeys(problems)),  # a full disk stops several parts, and is one problem
        )

    def _doubts(self) -> tuple[str, ...]:
        """What of the configuration probably is not as it was meant; a database that fails is told by itself."""
        try:
            return doubts(self._settings, self._store)
        except StorageError:
            return ()

    def _start(self) -> None:
        settings = self._settings
        self._started = self._clock.now()
        listener = listen(settings.http.host, settings.http.port)
        self._stops.append(listener.close)
        self._store = Store.open(settings.database_url)
        self._stops.append(self._store.close)
        self._stops.append(self._store.claim())
        for doubt in self._doubts():
            _log.warning("problem", problem=doubt)

        self._time = Timekeeper(settings.floats.clock, now=self._clock.now, steady=self._clock.steady)
        self._inbox = Inbox()
        self._collectors = [MqttCollector(broker, self._inbox, now=self._clock.now) for broker in settings.brokers]
        window = EchoWindow()
        self._radios = [
            BleCollector(each, self._inbox, now=self._clock.now, window=window)
            for each in (settings.ble.radios() if settings.ble else ())
        ]
        self._ble_decoding = BleDecoding()
        self._channels = self._make_channels()
        policies = dict.fromkeys(self._channels, PROGRAMS)
        policies |= {entry.name: entry.policy for entry in settings.channels}
        self._deliverer = Deliverer(self._store, self._channels, self._time, policies)
        self._feed = StateFeed(
            [collector.publish for collector in self._collectors], [broker.prefix for broker in settings.brokers]
        )
        self._worker = Worker(
            self._store,
            clock=self._time,
            alert_settings=settings.alerts,
            channels=tuple(self._channels),
            on_progress=self._on_progress,
        )
        read = reader(settings.decodings(), settings.floats.limits, lambda: self._ble_decoding)
        self._ingest = Ingest(
            self._inbox,
            ReadingSink(self._store, read.unsaved_counters),
            self._known_floats,
            read=read,
            sender=read.sender,
            now=self._clock.now,
            timekeeper=self._time,
            on_stored=self._worker.stored,
        )
        unknown = UnknownFloats(self._store)
        self._settling = Settling(started=self._started)
        self._clock_set_at, self._times_set = self._started, 0
        self._inner: tuple[Receiver, ...] = ()
        self._duties = Duties(
            {
                "noting unknown floats": lambda: unknown.keep(self._ingest.heard()),
                "telling outages": self._tell_outages,
                "judging silence": self._judge_silence,
                "following states": self._follow_states,
            }
        )
        self._over_http = HttpIngest(self._store, self._time, settings.floats, self._worker.stored)
        app = create_app(
            self._store,
            clock=self._clock.now,
            ingest=self._over_http.take,
            settings=settings.http,
            health=self.health,
            alerts=settings.alerts,
            try_channels=self._try_channels if settings.channels else None,
            instruments=settings.instruments,
            naming=settings.naming(),
        )
        self._http = HttpServer(app, listener)
        schedule = Schedule(self._duties.run, self._upkeep, tick_s=self._tick_s)
        self._run_parts(schedule)

    def _run_parts(self, schedule: Schedule) -> None:
        ended = self._store.believed()
        latest = self._store.latest_estimates(list(ended))
        self._feed.begin(ended, latest, self._store.removed_batches(), self._clock.now())
        parts: list[tuple[Callable[[], None], Callable[[], None]]] = [
            (self._worker.start, self._worker.stop),
            (self._ingest.start, self._ingest.stop),
            (self._http.start, self._http.stop),
            (schedule.start, schedule.stop),
            *((collector.start, collector.stop) for collector in self._collectors),
            *((radio.start, radio.stop) for radio in self._radios),
            # Stopped first: what publishes must not run into a connection that is being closed.
            (self._feed.start, self._feed.stop),
            (self._deliverer.start, self._deliverer.stop),
        ]
        for start, stop in parts:
            start()
            self._stops.append(stop)
        self._worker.look()

    def _make_channels(self) -> dict[str, Channel]:
        channels: dict[str, Channel] = {}
        for entry in self._settings.channels:
            zone = entry.policy.zone
            picture = picture_maker(self._store, zone) if entry.picture else None
            channels[entry.name] = AppriseChannel(entry.name, entry.url, picture=picture, zone=zone)
        for broker, collector in zip(self._settings.brokers, self._collectors, strict=True):
            # An alert is an event, not a state: whoever subscribes later must not take it for news.
            name = f"mqtt:{broker.name}"
            channels[name] = MqttChannel(name, partial(collector.publish, retain=False), prefix=broker.prefix)
        return channels

    def _try_channels(self) -> tuple[ChannelTrial, ...]:
        # Programs that listen over MQTT would take a test for news; the test is for people.
        named = [self._channels[entry.name] for entry in self._settings.channels]
        return try_channels(named, self._clock.now())

    def _known_floats(self) -> frozenset[FloatId]:
        """Asked once for each batch of packets; also renews which radio address is which float."""
        if self._settings.ble is None:
            return self._store.float_ids()
        records = self._store.floats()
        self._ble_decoding = self._settings.ble.decoding(records)
        return frozenset(record.float_id for record in records)

    def _judge_silence(self) -> None:
        if self._time.look() is not None or self._ingest.health().stopped is not None:
            return  # how long a float has been silent is not known
        now = self._now()
        inner = by_one_clock(self._inner, self._clock_set_at, now)  # as of the telling of outages, a moment ago
        storing = next((each for each in inner if each.cause == STORING), None)
        self._settling, unsettled = look(self._settling, self._receivers_at(now), now, storing=storing)
        if not unsettled and not self._ingest.health().queued:
            self._worker.tick()

    def _follow_states(self) -> None:
        """Repeat the states once for each connection made since the last tick; let them follow ends and removals."""
        connected = [health.since if health.connected else None for health in self._broker_health()]
        for index, (since, before) in enumerate(zip(connected, self._repeated, strict=True)):
            if since is not None and since != before:
                self._feed.repeat(index)
        self._repeated = connected
        self._feed.follow(self._store.believed, self._now())

    def _now(self) -> datetime:
        """The time that is believed. If the clock was set, what was stamped before says nothing any more."""
        now = self._time.now()
        self._time.look()  # after it was read: no time of a set clock passes for one of the clock before
        if self._time.leaps != self._times_set:
            self._times_set = self._time.leaps
            now = self._clock_set_at = self._time.now()
            self._settling = Settling(started=now)
        return now

    def _receivers_at(self, now: datetime) -> list[Receiver]:
        return by_one_clock(self._receivers(), self._clock_set_at, now)

    def _tell_outages(self) -> None:
        now, stopped = self._now(), self._ingest.health().stopped
        self._inner = inner_parts(self._inner, stopped=stopped, doubt=self._time.doubt, now=now)
        parts = [*self._receivers_at(now), *by_one_clock(self._inner, self._clock_set_at, now)]
        notices = outage_notices(parts, self._store.open_notices(), now)
        for notice in notices:
            self._store.add_notice(notice, channels=tuple(self._channels))
        if notices:
            self._deliverer.wake()

    def _receivers(self) -> list[Receiver]:
        return receivers_of(self._broker_health(), self._radio_health())

    def _broker_health(self) -> list[BrokerHealth]:
        return [collector.health() for collector in self._collectors]

    def _radio_health(self) -> list[RadioHealth]:
        return [radio.health() for radio in self._radios]

    def _upkeep(self) -> None:
        settings = self._settings
        rest = partial(self._stopping.wait, REST_S)
        self._upkeep_problem = nightly(self._store, settings.retention, settings.backup, self._time, rest=rest)

    def _on_progress(self, progress: Progress) -> None:
        if progress.estimate is not None and not is_gone(progress.ended, self._clock.now()):
            self._feed.tell(progress.batch_id, progress.estimate, ended=progress.ended)
        if progress.alerts:
            self._deliverer.wake()


@contextlib.contextmanager
def stop_signals() -> Iterator[threading.Event]:
    """An event that is set by SIGTERM and by Ctrl-C; what the signals did before is restored at the end."""
    stopping = threading.Event()
    before = {number: signal.signal(number, lambda *_: stopping.set()) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield stopping
    finally:
        for number, action in before.items():
            signal.signal(number, action)


def serve(settings: Settings) -> None:
    """Run the service until SIGTERM or Ctrl-C.

    Raises
    ------
    ConfigError, TransportError, StorageError
        It could not be started.
    """
    service = Service(settings)
    with stop_signals() as stopping:
        service.start()
        _log.info("gylewatch is running", page=service.address)
        stopping.wait()
        _log.info("stopping")
        service.stop()
        _log.info("stopped")
