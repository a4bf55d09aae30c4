"""The collector against a real mosquitto, with real clients and a sink that can be made to fail."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Literal

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from structlog.testing import capture_logs

from collector.decode import Decoding
from collector.inbox import Delivery, Inbox
from collector.ingest import Ingest, reader
from collector.mapping import JsonMapping, Place
from collector.mqtt import LARGEST_PACKET_BYTES, LONGEST_TOPIC, MqttCollector
from collector.mqtt_settings import MqttSettings
from collector.packet import Reason
from collector.senml import encode_senml_cbor, encode_senml_json
from collector.senml_pack import MAX_PACK_BYTES
from collector.topics import alerts_topic, readings_topic, status_topic
from gylewatch.errors import StorageError, TransportError
from gylewatch.values import FloatId
from tests.broker import Broker, find_command, free_port
from tests.collector.sender import Sender, connected_sender, reading
from tests.collector.sinks import MemorySink
from tests.eventually import eventually

QUICK = (0.05, 0.2)
TOPIC = readings_topic("heron")


@dataclass
class Station:
    """Collector and ingest, running."""

    mqtt: MqttCollector
    ingest: Ingest
    sink: MemorySink = field(default_factory=MemorySink)

    def holds(self, count: int) -> Callable[[], bool]:
        return lambda: len(self.sink.kept) >= count


@contextmanager
def running(settings: MqttSettings, sink: MemorySink | None = None, depth: int = 1000) -> Iterator[Station]:
    sink = sink or MemorySink()
    inbox = Inbox(depth)
    mqtt = MqttCollector(settings, inbox, reconnect_s=QUICK)
    ingest = Ingest(
        inbox,
        sink,
        lambda: frozenset({FloatId("heron"), FloatId("wren")}),
        read=reader(Decoding(prefix=settings.prefix, mappings=settings.mappings)),
    )
    ingest.start()
    mqtt.start()
    try:
        yield Station(mqtt, ingest, sink)
    finally:
        ingest.stop()
        mqtt.stop()


def only_delivery(broker: Broker, sender: Sender, topic: str, payload: bytes) -> Delivery:
    """What waits in the inbox of a collector, and nothing else, after one message."""
    inbox = Inbox()
    mqtt = MqttCollector(MqttSettings(port=broker.port), inbox, reconnect_s=QUICK)
    mqtt.start()
    try:
        eventually("the collector connects", lambda: mqtt.health().connected)
        sender.send(topic, payload)
        eventually("it has come", lambda: len(inbox))
        (delivery,) = inbox.take(10, 0)
    finally:
        mqtt.stop()
    return delivery


def connected(station: Station) -> Callable[[], bool]:
    return lambda: station.mqtt.health().connected


def three_wait(broker: Broker, station: Station, sink: MemorySink) -> None:
    """Storage is stuck, with three readings that say no time."""
    eventually("the collector connects", connected(station))
    sink.fault = StorageError("the disk is full", retry=True)
    with connected_sender(broker.port) as sender:
        for number in range(3):
            sender.send(TOPIC, encode_senml_json([reading(number)], timeless=True))
    eventually("they wait", lambda: station.ingest.health().queued == 3)


def came(station: Station, count: int) -> Callable[[], bool]:
    return lambda: station.mqtt.health().received == count


@pytest.fixture
def sender(broker: Broker) -> Iterator[Sender]:
    with connected_sender(broker.port) as client:
        yield client


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_messages_of_a_real_client_become_readings(
    broker: Broker, sender: Sender, protocol: Literal["5", "3.1.1"]
) -> None:
    with running(MqttSettings(port=broker.port, protocol=protocol)) as station:
        eventually("the collector connects", connected(station))

        sender.send(TOPIC, encode_senml_json([reading(0), reading(1)]))
        sender.send(TOPIC, encode_senml_cbor([reading(2)]))

        eventually("three readings are stored", station.holds(3))
        assert [r.time for r in station.sink.kept.values()] == [reading(n).time for n in range(3)]
        assert station.ingest.health().accepted == 3
        assert station.mqtt.health().received == 2


def test_a_repeated_message_is_counted_and_stored_once(broker: Broker, sender: Sender) -> None:
    with running(MqttSettings(port=broker.port)) as station:
        eventually("the collector connects", connected(station))

        for _ in range(3):
            sender.send(TOPIC, encode_senml_json([reading(0)]))

        eventually("the repeats are counted", lambda: station.ingest.health().duplicates == 2)
        assert len(station.sink.kept) == 1


def test_a_retained_reading_is_refused_and_counted(broker: Broker, sender: Sender) -> None:
    sender.send(TOPIC, encode_senml_json([reading(0)]), retain=True)

    with running(MqttSettings(port=broker.port)) as station:
        eventually("the retained message has come", lambda: station.sink.refused)

        assert station.sink.reasons() == [Reason.RETAINED]
        assert not station.sink.kept


def test_what_cannot_be_used_is_kept_with_its_reason_and_the_rest_goes_on(broker: Broker, sender: Sender) -> None:
    with running(MqttSettings(port=broker.port)) as station:
        eventually("the collector connects", connected(station))

        sender.send(TOPIC, b"not senml")
        sender.send(readings_topic("bittern"), encode_senml_json([reading(0, "bittern")]))
        sender.send(TOPIC, b'[{"n":"angle","u":"deg","v":180},{"n":"temperature","u":"Cel","v":20}]')
        sender.send(TOPIC, encode_senml_json([reading(1)]))

        eventually("the good reading is stored", station.holds(1))
        assert station.sink.reasons() == [Reason.MALFORMED, Reason.UNKNOWN_FLOAT, Reason.OUT_OF_RANGE]


def test_of_a_topic_that_fills_memory_only_the_beginning_is_kept(broker: Broker, sender: Sender) -> None:
    delivery = only_delivery(broker, sender, readings_topic("x" * 50_000), b"[]")

    assert delivery.packet.origin == readings_topic("x" * 50_000)[:LONGEST_TOPIC]


def test_other_json_is_read_through_the_users_mapping(broker: Broker, sender: Sender) -> None:
    mapping = JsonMapping(
        topic="cellar/+/out",
        float_level=1,
        angle=Place(pointer="/tilt", unit="deg"),
        temperature=Place(pointer="/t/0", unit="F"),
    )
    with running(MqttSettings(port=broker.port, mappings=(mapping,))) as station:
        eventually("the collector connects", connected(station))

        sender.send("cellar/wren/out", b'{"tilt": 41.5, "t": [68]}')

        eventually("the reading is stored", station.holds(1))
        (stored,) = station.sink.kept.values()
        assert (stored.float_id, stored.angle_deg) == (FloatId("wren"), 41.5)
        assert stored.temperature_c == pytest.approx(20.0)


def test_readings_sent_while_the_service_is_away_are_taken_up_later(broker: Broker, sender: Sender) -> None:
    settings = MqttSettings(port=broker.port)
    with running(settings) as station:
        eventually("the collector connects", connected(station))

    sender.send_readings(range(50))

    with running(settings) as station:
        eventually("all are stored", station.holds(50))


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_of_readings_without_time_that_waited_for_the_service_only_the_newest_counts(
    broker: Broker, sender: Sender, protocol: Literal["5", "3.1.1"]
) -> None:
    """Stamped on arrival, what was measured in a day would be of one moment."""
    settings = MqttSettings(port=broker.port, protocol=protocol)
    with running(settings) as station:
        eventually("the collector connects", connected(station))
    for number in range(30):
        sender.send(TOPIC, encode_senml_json([reading(number)], timeless=True))
        sender.send(readings_topic("wren"), encode_senml_json([reading(number, "wren")]))

    with running(settings) as station:
        eventually("it is there", lambda: any(each.float_id == "heron" for each in station.sink.kept.values()))
        sender.send(TOPIC, encode_senml_json([reading(30)], timeless=True))
        eventually("all are stored", station.holds(32))
        eventually("nothing waits", lambda: station.ingest.health().queued == 0)
        kept = list(station.sink.kept.values())

    assert sorted(each.angle_deg for each in kept if each.float_id == "heron") == pytest.approx(
        sorted(reading(number).angle_deg for number in (29, 30))
    )
    assert len(kept) == 30 + 2
    assert set(station.sink.reasons()) == {Reason.TIME_UNKNOWN}


def test_what_waited_and_was_not_stored_comes_again(broker: Broker, sender: Sender) -> None:
    settings = MqttSettings(port=broker.port)
    with running(settings) as station:
        eventually("the collector connects", connected(station))
    sender.send(TOPIC, encode_senml_json([reading(0)], timeless=True))
    with running(settings) as station:
        eventually("it is held", lambda: station.ingest.health().queued == 1)

    with running(settings) as station:
        eventually("it comes again", station.holds(1))


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_readings_without_time_that_come_again_before_they_are_stored_are_one_each(
    broker: Broker, protocol: Literal["5", "3.1.1"]
) -> None:
    """Storage is stuck, and the broker is restarted: by their stamps the first and the second coming differ."""
    sink = MemorySink()
    with running(MqttSettings(port=broker.port, protocol=protocol), sink) as station:
        three_wait(broker, station, sink)
        for again in (1, 2):
            broker.stop()
            eventually("the loss is noticed", lambda: not station.mqtt.health().connected)
            broker.start()
            eventually("they come again", came(station, 3 + 3 * again))
        sink.fault = None
        eventually("nothing waits", lambda: station.ingest.health().queued == 0, 30)

    assert sorted(each.angle_deg for each in sink.kept.values()) == pytest.approx(
        sorted(reading(number).angle_deg for number in range(3))
    )
    with running(MqttSettings(port=broker.port, protocol=protocol), sink) as station:
        eventually("the collector connects", connected(station))
        with connected_sender(broker.port) as sender:
            sender.send(TOPIC, encode_senml_json([reading(3)]))
        eventually("that one comes", lambda: reading(3) in sink.kept.values())
        assert station.mqtt.health().received == 1, "the broker has the receipts of the others"


def test_what_was_stored_while_the_broker_was_away_is_acknowledged_when_it_comes_again(broker: Broker) -> None:
    sink = MemorySink()
    with running(MqttSettings(port=broker.port), sink) as station:
        three_wait(broker, station, sink)
        broker.stop()
        eventually("the loss is noticed", lambda: not station.mqtt.health().connected)
        sink.fault = None
        eventually("they are stored", lambda: station.ingest.health().queued == 0, 30)
        broker.start()
        eventually("they come again", came(station, 6))

    assert len(sink.kept) == 3
    with running(MqttSettings(port=broker.port), sink) as station:
        eventually("the collector connects", connected(station))
        with connected_sender(broker.port) as sender:
            sender.send(TOPIC, encode_senml_json([reading(3)]))
        eventually("that one comes", lambda: reading(3) in sink.kept.values())
        assert station.mqtt.health().received == 1, "the broker has the receipts of the others"


def listen(port: int, topic: str) -> str:
    """What a client that subscribes now is given first on `topic`: 1 if the broker had kept it, and the payload."""
    heard: SimpleQueue[str] = SimpleQueue()
    client = Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _client, _data, message: heard.put(f"{message.retain:d} {message.payload.decode()}")
    client.connect("127.0.0.1", port)
    client.subscribe(topic)
    client.loop_start()
    try:
        return heard.get(timeout=10)
    except Empty:
        return ""
    finally:
        client.disconnect()
        client.loop_stop()


@contextmanager
def stalled_consumer(port: int) -> Iterator[subprocess.Popen[str]]:
    """A service in a process of its own that never commits what it takes, subscribed."""
    command = [sys.executable, "-m", "tests.collector.stalled_consumer", str(port)]
    with subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True) as consumer:
        try:
            eventually("it says online", lambda: listen(port, status_topic()) == "1 online")
            yield consumer
        finally:
            consumer.kill()


def test_readings_that_a_killed_service_had_not_committed_come_back(broker: Broker, sender: Sender) -> None:
    with stalled_consumer(broker.port) as victim:
        sender.send_readings(range(5))
        assert victim.stderr is not None
        assert victim.stderr.readline().startswith("holding")
        victim.kill()

    with running(MqttSettings(port=broker.port)) as station:
        eventually("the readings come back", station.holds(5))


def test_a_database_that_fails_and_recovers_loses_nothing(broker: Broker, sender: Sender) -> None:
    sink = MemorySink()
    sink.fault = StorageError("the disk of gylewatch.db is full; make room", retry=True)

    with running(MqttSettings(port=broker.port), sink, depth=10) as station:
        eventually("the collector connects", connected(station))
        sender.send_readings(range(100))
        eventually("storing was tried twice", lambda: sink.attempts >= 2)

        assert station.ingest.health().problem == "the disk of gylewatch.db is full; make room"
        sink.fault = None

        eventually("all are stored", station.holds(100))
        assert station.ingest.health().problem is None


def test_what_was_not_committed_is_not_acknowledged(broker: Broker, sender: Sender) -> None:
    settings = MqttSettings(port=broker.port)
    failing = MemorySink()
    failing.fault = StorageError("locked", retry=True)
    with running(settings, failing) as station:
        eventually("the collector connects", connected(station))
        sender.send_readings(range(5))
        eventually("storing was tried", lambda: failing.attempts)

    with running(settings) as station:
        eventually("all come again", station.holds(5))


def test_a_broker_that_dies_and_returns_is_taken_up_again(broker: Broker) -> None:
    with running(MqttSettings(port=broker.port)) as station:
        eventually("the collector connects", connected(station))
        with connected_sender(broker.port) as client:
            client.send_readings(range(3))
        eventually("the first are stored", station.holds(3))

        broker.kill()
        eventually("the loss is noticed", lambda: not station.mqtt.health().connected)
        problem = station.mqtt.health().problem
        broker.start()
        eventually("the collector connects again", connected(station))
        with connected_sender(broker.port) as client:
            client.send_readings(range(3, 6))

        eventually("the later ones are stored", station.holds(6))
        assert problem is not None
        assert f"127.0.0.1:{broker.port}" in problem


def test_a_broker_that_forgot_the_session_is_subscribed_to_again(tmp_path: Path) -> None:
    with Broker(tmp_path / "forgetful") as broker, running(MqttSettings(port=broker.port)) as station:
        eventually("the collector connects", connected(station))
        broker.kill()
        eventually("the loss is noticed", lambda: not station.mqtt.health().connected)
        for saved in (broker.directory / "data").iterdir():
            saved.unlink()
        broker.start()
        eventually("the collector connects again", connected(station))

        with connected_sender(broker.port) as client:
            client.send_readings(range(1))

        eventually("the reading is stored", station.holds(1))


def test_an_unreachable_broker_gives_one_sentence_with_place_and_remedy_and_is_tried_again(tmp_path: Path) -> None:
    broker = Broker(tmp_path)
    with running(MqttSettings(port=broker.port)) as station:
        eventually("the failure is known", lambda: "reached" in (station.mqtt.health().problem or ""))

        problem = station.mqtt.health().problem or ""
        assert f"127.0.0.1:{broker.port}" in problem
        assert "start the broker or correct host and port" in problem
        assert "\n" not in problem
        with broker:
            eventually("the collector connects", connected(station))


def test_a_host_that_cannot_be_a_name_is_told_and_ends_nothing() -> None:
    with running(MqttSettings(host="cellar..local")) as station:
        eventually("it is told", lambda: "correct host" in (station.mqtt.health().problem or ""))

        assert station.mqtt.health().problem == (
            "the broker at cellar..local:1883 cannot be reached (UnicodeError): this cannot be the name of a machine; "
            "correct host"
        )


def with_password(directory: Path) -> Broker:
    passwords = directory / "passwords"
    directory.mkdir(parents=True, exist_ok=True)
    subprocess.run([find_command("mosquitto_passwd"), "-b", "-c", str(passwords), "cellar", "hops"], check=True)
    return Broker(directory, f"allow_anonymous false\npassword_file {passwords}")


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_wrong_password_is_named_and_never_shown(tmp_path: Path, protocol: Literal["5", "3.1.1"]) -> None:
    with with_password(tmp_path) as broker:
        settings = MqttSettings(port=broker.port, username="cellar", password="malt-secret", protocol=protocol)
        with running(settings) as station:
            eventually("the refusal is known", lambda: "refused" in (station.mqtt.health().problem or ""))

            problem = station.mqtt.health().problem or ""
            assert "check username and password" in problem
            assert "malt-secret" not in problem + repr(settings)


def test_the_right_password_lets_readings_in(tmp_path: Path) -> None:
    with (
        with_password(tmp_path) as broker,
        running(MqttSettings(port=broker.port, username="cellar", password="hops")) as station,
    ):
        eventually("the collector connects", connected(station))
        with connected_sender(broker.port, "cellar", "hops") as client:
            client.send_readings(range(1))

        eventually("the reading is stored", station.holds(1))


def test_the_service_says_online_and_at_its_end_offline(broker: Broker) -> None:
    with running(MqttSettings(port=broker.port)) as station:
        eventually("the collector connects", connected(station))
        eventually("it says online", lambda: listen(broker.port, status_topic()) == "1 online")

    assert listen(broker.port, status_topic()) == "1 offline"


def test_a_killed_service_is_reported_offline_by_the_broker(broker: Broker) -> None:
    with stalled_consumer(broker.port) as victim:
        victim.kill()

        eventually("the broker says offline", lambda: listen(broker.port, status_topic()) == "1 offline")


def test_alerts_are_published_retained(broker: Broker) -> None:
    with running(MqttSettings(port=broker.port)) as station:
        eventually("the collector connects", connected(station))

        station.mqtt.publish(alerts_topic("harbour-pale"), b'{"kind":"fermentation-finished"}')

        assert listen(broker.port, alerts_topic("harbour-pale")) == '1 {"kind":"fermentation-finished"}'


def test_publishing_without_a_broker_says_why_it_failed() -> None:
    port = free_port()
    with running(MqttSettings(port=port)) as station, pytest.raises(TransportError, match=f"127.0.0.1:{port}"):
        station.mqtt.publish(alerts_topic("harbour-pale"), b"{}")


def test_a_broker_that_sends_nothing_is_a_problem_that_is_told(tmp_path: Path) -> None:
    # The broker's plain file of access rules lets every subscription pass; its plugin does not.
    plugin = next(Path("/usr/lib").rglob("mosquitto_dynamic_security.so"))
    allowed = {"publishClientSend": True, "publishClientReceive": True, "subscribe": False, "unsubscribe": True}
    rules = tmp_path / "rules.json"
    rules.write_text(json.dumps({"defaultACLAccess": allowed}))
    config = f"allow_anonymous true\nplugin {plugin}\nplugin_opt_config_file {rules}"
    with Broker(tmp_path / "broker", config) as closed, running(MqttSettings(port=closed.port)) as station:
        eventually("it is told", lambda: "access rules" in (station.mqtt.health().problem or ""))

        assert not station.mqtt.health().connected


def test_a_packet_that_would_take_the_memory_stays_with_the_broker_and_one_that_is_only_too_long_is_told(
    broker: Broker, sender: Sender
) -> None:
    with running(MqttSettings(port=broker.port)) as station:
        eventually("it is connected", connected(station))
        sender.send(TOPIC, b" " * LARGEST_PACKET_BYTES)
        sender.send(TOPIC, b" " * (LARGEST_PACKET_BYTES - 1000))
        sender.send_readings(range(1))
        eventually("the reading is kept", station.holds(1))
        received, refused = station.mqtt.health().received, station.ingest.health().rejected

    assert (received, refused) == (2, 1)


def test_of_a_packet_that_is_too_long_no_more_waits_than_shows_it(broker: Broker, sender: Sender) -> None:
    delivery = only_delivery(broker, sender, TOPIC, b" " * 900_000)

    assert len(delivery.packet.payload) == MAX_PACK_BYTES + 1


def test_two_programs_that_throw_each_other_off_the_broker_are_told_of_their_client_id(broker: Broker) -> None:
    settings = MqttSettings(port=broker.port, client_id="cellar")
    with capture_logs() as logged, running(settings), running(settings):
        eventually("it is told", lambda: any("client_id 'cellar'" in str(entry.get("problem")) for entry in logged))


def test_a_broker_that_is_restarted_again_and_again_is_not_put_down_to_another_program_alone(broker: Broker) -> None:
    with running(MqttSettings(port=broker.port)) as station:
        for _ in range(3):
            eventually("the collector connects", connected(station))
            broker.stop()
            eventually("the loss is noticed", lambda: not station.mqtt.health().connected)
            problem = station.mqtt.health().problem or ""
            broker.start()

    assert "the broker is started anew each time (its log says why), or another program uses the client_id" in problem
