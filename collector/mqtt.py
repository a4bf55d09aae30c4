"""MQTT: a persistent subscription that turns messages into packets, and a way to publish. Shell over paho.

A message is acknowledged to the broker only when `Delivery.acknowledge` is called, so what was not committed comes
back after a crash. When the inbox is full the network thread waits, and the broker keeps the rest.
"""

from __future__ import annotations

import ssl
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from typing import Any

import structlog
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from collector.inbox import Delivery, Inbox
from collector.mqtt_loop import NetworkLoop, Receipt
from collector.mqtt_settings import MqttSettings, TlsSettings
from collector.mqtt_socket import BurstClient
from collector.packet import Packet, Source
from collector.redelivery import Redelivery
from collector.senml_pack import MAX_PACK_BYTES
from collector.steady import steady_s
from collector.topics import readings_filter, status_topic
from gylewatch.errors import ConfigError, TransportError

KEEPALIVE_S = 30  # a dead network is noticed after 45 s (1.5 times, MQTT 5.0 section 3.1.2.10)
SESSION_EXPIRY_S = 7 * 86_400  # the broker keeps what floats say while the service is away for up to a week
IN_FLIGHT = 1000  # unacknowledged messages the broker may send ahead: half an inbox, so the network never waits
FIRST_RECONNECT_S, LAST_RECONNECT_S = 1, 60
LARGEST_PACKET_BYTES = 1_000_000
# The broker keeps longer ones to itself (MQTT 5.0, section 3.1.2.11.4). Shorter ones are refused by name where they are
# too long; one of 150 MB took 440 MB of memory, and would have come again after every end for want of it.
_KEPT_BYTES = MAX_PACK_BYTES + 1
# Enough to see that it is too long. While storage is stuck, an inbox full of longer ones would take the memory.
FEW = 3  # connections in a row that did not last: a broker that is restarted twice makes two
QUIET_S = 5.0
# Without a message for so long, what waited for us at the broker has come: it hands that over at once, or as soon as
# storage has taken what came before.
LONGEST_CATCH_UP_S = 120.0  # where floats are so many that it is never quiet: some hundred thousand messages
LONGEST_TOPIC = 1000
# Characters that are kept. A topic may have 65,535 bytes (MQTT 5.0, section 1.5.4), a name of ours 63; thousands of the
# longest, each remembered as a sender, would take the memory of a small board.

_UNTRUSTED = {  # by OpenSSL's number of the fault, X509_V_ERR_... in its x509_vfy.h
    9: "if it is new, this machine's clock is behind: set it (timedatectl)",
    10: "renew it, or that of its authority; or this machine's clock is ahead: set it (timedatectl)",
    62: "set host to a name that stands in it",
    64: "set host to a name or an address that stands in it",
}

_log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerHealth:
    """A snapshot. `problem` is one sentence that names place and remedy while not connected, else None."""

    name: str
    place: str
    connected: bool
    since: datetime  # of the state `connected` tells
    received: int
    problem: str | None


def _utc_now() -> datetime:
    return datetime.now(UTC)


class MqttCollector:
    """One broker's subscription. Start and stop once.

    Parameters
    ----------
    settings : the broker
    inbox : where packets go
    now : the clock that stamps arrivals
    reconnect_s : first and longest wait between attempts to connect
    beside : only listens, for a short while: no session is kept, and nobody is told ``online`` or ``offline``

    Raises
    ------
    ConfigError
        A certificate or key file cannot be read.
    """

    def __init__(
        self,
        settings: MqttSettings,
        inbox: Inbox,
        *,
        now: Callable[[], datetime] = _utc_now,
        reconnect_s: tuple[float, float] = (FIRST_RECONNECT_S, LAST_RECONNECT_S),
        beside: bool = False,
    ) -> None:
        self._settings = settings
        self._beside = beside
        self._inbox = inbox
        self._now = now
        self._stopping = threading.Event()
        self._state = threading.Lock()  # guards the three below
        self._connected = False
        self._since = now()
        self._problem: str | None = f"not connected to {settings.place} yet"
        self._answered = False  # whether the broker said anything on this connection; only the loop's thread uses it
        self._refused = False  # by the last answer; only the loop's thread uses it
        self._subscribed = False  # by this process
        self._session_kept = False
        self._received = 0
        self._catches_up = False  # with what the broker kept for us; only the loop's thread uses it and the next
        self._connected_s = self._newest_s = 0.0  # on the steady clock
        self._redelivery = Redelivery()
        self._taken: list[Delivery] = []  # not in the inbox yet; only the loop's thread uses it
        self._client = self._new_client()
        self._loop = NetworkLoop(
            self._client,
            on_message=self._on_message,
            on_pause=self._hand_over,
            on_fail=self._on_fail,
            reconnect_s=reconnect_s,
            stopping=self._stopping,
        )

    def start(self) -> None:
        """Connect in the background and keep trying; never fails because a broker is away."""
        settings = self._settings
        if settings.protocol == "5":
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = 0 if self._beside else SESSION_EXPIRY_S
            properties.ReceiveMaximum = IN_FLIGHT
            properties.MaximumPacketSize = LARGEST_PACKET_BYTES
            self._client.connect_async(
                settings.host, settings.port, KEEPALIVE_S, clean_start=self._beside, properties=properties
            )
        else:
            self._client.connect_async(settings.host, settings.port, KEEPALIVE_S)
        self._loop.start()

    def stop(self) -> None:
        """Say ``offline``, disconnect and end the thread. The broker keeps the session."""
        if self._is_connected() and not self._beside:
            try:
                self.publish(status_topic(self._settings.prefix), b"offline", timeout_s=2.0)
            except TransportError as error:
                _log.warning("could not say goodbye to the broker", broker=self._settings.place, problem=str(error))
        self._loop.stop()
        self._lost(None)

    def publish(self, topic: str, payload: bytes, *, retain: bool = True, timeout_s: float = 10.0) -> None:
        """Publish at QoS 1 and wait for the broker's receipt. Any thread but the network's own.

        Raises
        ------
        TransportError
            Not connected, or no receipt within `timeout_s`. The message may still arrive later.
        """
        place = self._settings.place
        if not self._is_connected():
            raise TransportError(f"cannot publish to {topic}: {self._problem or f'not connected to {place}'}")
        receipt = self._client.publish(topic, payload, qos=1, retain=retain)
        try:
            receipt.wait_for_publish(timeout_s)
        except (RuntimeError, ValueError) as error:
            raise TransportError(f"the broker at {place} did not take a message for {topic}: {error}") from None
        if not receipt.is_published():
            raise TransportError(f"the broker at {place} gave no receipt for {topic} within {timeout_s:g} s")

    def health(self) -> BrokerHealth:
        """A snapshot; any thread."""
        with self._state:
            return BrokerHealth(
                name=self._settings.name,
                place=self._settings.place,
                connected=self._connected,
                since=self._since,
                received=self._received,
                problem=None if self._connected else self._problem,
            )

    def _new_client(self) -> Client:
        settings = self._settings
        version5 = settings.protocol == "5"
        client = BurstClient(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            protocol=MQTTProtocolVersion.MQTTv5 if version5 else MQTTProtocolVersion.MQTTv311,
            clean_session=None if version5 else self._beside,
            manual_ack=True,
        )
        if settings.username is not None:
            client.username_pw_set(settings.username, settings.password)
        if settings.tls is not None:
            client.tls_set_context(tls_context(settings.place, settings.tls))
        if not self._beside:
            client.will_set(status_topic(settings.prefix), b"offline", qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        return client

    def _is_connected(self) -> bool:
        with self._state:
            return self._connected

    def _on_connect(self, client: Client, _: Any, flags: Any, reason: Any, __: Any) -> None:
        settings = self._settings
        self._answered = True
        self._refused = reason.is_failure
        if reason.is_failure:
            self._lost(_refusal(settings, str(reason)))
            return
        self._session_kept = self._catches_up = flags.session_present
        self._connected_s = self._newest_s = steady_s()
        if not flags.session_present:
            self._redelivery.begin_anew()
        if flags.session_present and self._subscribed:
            self._hears()
        else:
            # A session that the broker kept knows nothing of topics that were added to the configuration meanwhile.
            client.subscribe([(topic, 1) for topic in self._topics()])
        if not self._beside:
            client.publish(status_topic(settings.prefix), b"online", qos=1, retain=True)

    def _on_subscribe(self, _: Client, __: Any, ___: int, reasons: Sequence[ReasonCode], ____: Any) -> None:
        # Before this nothing is kept for us: who is told "connected" may send at once.
        place = self._settings.place
        closed = [topic for topic, reason in zip(self._topics(), reasons, strict=False) if reason.is_failure]
        remedy = "let this user read it in the broker's access rules"
        if len(closed) == len(reasons):
            self._lost(f"the broker at {place} refused to send anything on {', '.join(closed)}: {remedy}")
            return
        for topic in closed:
            _log.warning("the broker refused a topic", broker=place, topic=topic, remedy=remedy)
        self._subscribed = True
        self._hears()

    def _topics(self) -> list[str]:
        settings = self._settings
        topics = [readings_filter(settings.prefix), *(mapping.topic for mapping in settings.mappings)]
        topics += [probe.topic_under(settings.prefix) for probe in settings.probes]
        return list(dict.fromkeys(topics))

    def _hears(self) -> None:
        with self._state:
            self._connected = True
            self._since = self._now()
            self._problem = None
        _log.info("connected to the broker", broker=self._settings.place, session_kept=self._session_kept)

    def _on_fail(self, error: Exception) -> None:
        if self._stopping.is_set():
            return  # an attempt that the stop did not wait for
        self._lost(_unreachable(self._settings, error))

    def _on_disconnect(self, _: Client, __: Any, ___: Any, reason: Any, ____: Any) -> None:
        answered, self._answered = self._answered, False
        if self._stopping.is_set() or (answered and self._refused):
            return  # wanted; or refused, and that was told
        place = self._settings.place
        if answered and self._loop.ends_soon() >= FEW:
            self._lost(
                f"the connection to the broker at {place} breaks off again and again, soon after it was made: the "
                "broker is started anew each time (its log says why), or another program uses the client_id "
                f"{self._settings.client_id!r}: give each its own; trying again"
            )
        elif answered:
            self._lost(f"the connection to the broker at {place} broke off ({reason}); trying again")
        else:
            self._lost(
                f"the broker at {place} closed the connection without an answer ({reason}): check that tls, its "
                "certificates and protocol are what this port expects; trying again"
            )

    def _lost(self, problem: str | None) -> None:
        with self._state:
            changed = problem != self._problem or self._connected
            if self._connected:
                self._since = self._now()
            self._connected = False
            self._problem = problem
        if changed and problem is not None:  # one line for each state, not for each attempt
            _log.warning("broker not available", problem=problem)

    def _on_message(self, message: MQTTMessage, connection: int) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(topic that is not UTF-8)"
        payload, arrived_s = bytes(message.payload), steady_s()
        self._received += 1
        receipt = Receipt(connection, message.mid, message.qos, hash((topic, payload)))
        before = self._redelivery.take(receipt, again=message.dup)
        if before is not None:  # it waits to be stored, or is
            if before.given:
                self._loop.acknowledge(before)
            return
        packet = Packet(
            source=Source.MQTT,
            origin=topic[:LONGEST_TOPIC],
            payload=payload[:_KEPT_BYTES],
            received=self._now(),
            retained=message.retain,
            receiver=self._settings.name,
            waited=self._catches_up and self._may_have_waited(arrived_s),
        )
        delivery = Delivery(packet=packet, acknowledge=partial(self._loop.acknowledge, receipt), arrived_s=arrived_s)
        self._taken.append(delivery)

    def _may_have_waited(self, now_s: float) -> bool:
        before_s, self._newest_s = self._newest_s, now_s
        self._catches_up = now_s - before_s <= QUIET_S and now_s - self._connected_s <= LONGEST_CATCH_UP_S
        return self._catches_up

    def _hand_over(self) -> None:
        taken, self._taken = self._taken, []
        if taken:
            began_s = steady_s()
            self._inbox.put_all(taken, self._stopping)
            self._newest_s = steady_s()
            if self._newest_s - began_s > QUIET_S:  # there was no room: what came meanwhile waits on the wire
                self._catches_up, self._connected_s = True, self._newest_s


def tls_context(place: str, tls: TlsSettings) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=tls.ca_file)
        if tls.cert_file is not None:
            context.load_cert_chain(tls.cert_file, tls.key_file)
    except OSError as error:  # ssl.SSLError is one
        named = ", ".join(str(file) for file in (tls.ca_file, tls.cert_file, tls.key_file) if file is not None)
        raise ConfigError(
            f"the certificates for the broker at {place} cannot be used ({named}): {error.strerror or error}"
        ) from None
    return context


def _refusal(settings: MqttSettings, reason: str) -> str:
    remedy = "check protocol, client_id and the broker's log"
    if any(word in reason.lower() for word in ("authori", "password", "user name")):
        remedy = "check username and password, and that the broker lets this user connect"
    elif "protocol" in reason.lower():
        remedy = 'set protocol = "3.1.1" if the broker speaks no MQTT 5'
    return f"the broker at {settings.place} refused the connection ({reason}): {remedy}"


def _unreachable(settings: MqttSettings, error: Exception) -> str:
    remedy = "check host, port and that the broker runs; trying again"
    if isinstance(error, UnicodeError):
        remedy = "this cannot be the name of a machine; correct host"
    elif not isinstance(error, OSError):
        remedy = "a fault in the program, its log has the details; trying again"
    elif isinstance(error, ssl.SSLCertVerificationError):
        remedy = _UNTRUSTED.get(error.verify_code, "set ca_file to the authority that signed it")
        remedy = f"its certificate is not trusted ({error.verify_message}); {remedy}; trying again"
    elif isinstance(error, ssl.SSLError):
        remedy = "the secure connection failed; check tls, port, and the client's certificate"
    elif isinstance(error, ConnectionRefusedError):
        remedy = "nothing listens there; start the broker or correct host and port; trying again"
    detail = getattr(error, "strerror", None) or type(error).__name__
    return f"the broker at {settings.place} cannot be reached ({detail}): {remedy}"
