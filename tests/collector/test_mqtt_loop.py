"""The network loop against a real mosquitto: receipts, and a queue that others fill."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import NoReturn

import pytest
from paho.mqtt.client import MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from collector.mqtt_loop import NetworkLoop, Receipt
from collector.mqtt_socket import BurstClient
from tests.broker import Broker
from tests.collector.sender import connected_sender
from tests.eventually import eventually

TOPIC = "cellar/news"


class Listener:
    """A kept session on `TOPIC`: what came, with the receipt that would be due for it."""

    def __init__(self, port: int, stopping: threading.Event | None = None) -> None:
        self.came: list[tuple[bytes, Receipt]] = []
        self.pauses = 0
        self.failures: list[Exception] = []
        self.stumbles = 0  # how many messages it fails to take
        self.subscribed = threading.Event()
        self.client = BurstClient(
            CallbackAPIVersion.VERSION2, client_id="listener", clean_session=False, manual_ack=True
        )
        self.client.on_connect = lambda client, *_: client.subscribe(TOPIC, 1)
        self.client.on_subscribe = lambda *_: self.subscribed.set()
        self.client.connect_async("127.0.0.1", port)
        self.loop = NetworkLoop(
            self.client,
            on_message=self._take,
            on_pause=self._pause,
            on_fail=self.failures.append,
            reconnect_s=(0.05, 0.2),
            stopping=stopping or threading.Event(),
        )

    def _take(self, message: MQTTMessage, connection: int) -> None:
        if self.stumbles:
            self.stumbles -= 1
            raise LookupError("not expected")
        self.came.append((bytes(message.payload), Receipt(connection, message.mid, message.qos)))

    def _pause(self) -> None:
        self.pauses += 1

    def payloads(self) -> list[bytes]:
        return [payload for payload, _ in self.came]


class Waits(threading.Event):
    """A stop that notes how long it would have been waited for, and lets nobody wait."""

    def __init__(self) -> None:
        super().__init__()
        self.asked_s: list[float | None] = []

    def wait(self, timeout: float | None = None) -> bool:
        self.asked_s.append(timeout)
        return super().wait(0.0)


@contextmanager
def listening(broker: Broker, stopping: threading.Event | None = None) -> Iterator[Listener]:
    listener = Listener(broker.port, stopping)
    listener.loop.start()
    try:
        assert listener.subscribed.wait(10)
        yield listener
    finally:
        listener.loop.stop()


def publish(broker: Broker, *payloads: bytes) -> None:
    with connected_sender(broker.port) as sender:
        for payload in payloads:
            sender.send(TOPIC, payload)


def test_receipts_handed_over_before_the_stop_still_reach_the_broker(broker: Broker) -> None:
    with listening(broker) as first:
        publish(broker, b"1", b"2")
        eventually("both came", lambda: len(first.came) == 2)
        for _, receipt in first.came:
            first.loop.acknowledge(receipt)

    with listening(broker) as second:
        publish(broker, b"3")
        eventually("the third came", lambda: b"3" in second.payloads())

    assert second.payloads() == [b"3"]


def test_a_message_without_receipt_comes_again(broker: Broker) -> None:
    with listening(broker) as first:
        publish(broker, b"1")
        eventually("it came", lambda: first.came)

    with listening(broker) as second:
        eventually("it comes again", lambda: second.payloads() == [b"1"])


def test_a_receipt_of_an_earlier_connection_acknowledges_nothing(broker: Broker) -> None:
    with listening(broker) as first:
        publish(broker, b"1")
        eventually("it came", lambda: first.came)
        (_, receipt), *_ = first.came
        first.loop.acknowledge(replace(receipt, connection=receipt.connection - 1))

    with listening(broker) as second:
        eventually("it comes again", lambda: second.payloads() == [b"1"])


def test_what_the_program_stumbles_over_is_told_and_comes_again(broker: Broker) -> None:
    with listening(broker) as listener:
        listener.stumbles = 1
        publish(broker, b"1")

        eventually("it came again", lambda: listener.payloads() == [b"1"])

    assert [type(failure) for failure in listener.failures] == [LookupError]


def test_what_came_together_is_handed_on_before_the_loop_sleeps(broker: Broker) -> None:
    with listening(broker):
        pass
    publish(broker, *(str(number).encode() for number in range(50)))

    with listening(broker) as listener:
        eventually("all came", lambda: len(listener.came) == 20)  # as many as the broker sends without receipts
        eventually("the loop paused", lambda: listener.pauses)

        assert listener.payloads() == [str(number).encode() for number in range(20)]


def test_the_stop_does_not_wait_for_the_name_of_a_machine_that_nobody_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    asked, answered = threading.Event(), threading.Event()

    def ask(*_: object, **__: object) -> NoReturn:
        asked.set()
        answered.wait()
        raise socket.gaierror(socket.EAI_AGAIN, "Temporary failure in name resolution")

    monkeypatch.setattr(socket, "getaddrinfo", ask)
    listener = Listener(1883)
    listener.loop.start()
    assert asked.wait(10)

    stopper = threading.Thread(target=listener.loop.stop, daemon=True)
    stopper.start()
    eventually("the stop is over", lambda: not stopper.is_alive())

    assert listener.failures == []
    answered.set()
    eventually("the attempt ends by itself", lambda: listener.failures)


def test_the_stop_does_not_wait_for_a_machine_that_begins_no_tls() -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        listener = Listener(silent.getsockname()[1])
        listener.client.tls_set_context(ssl.create_default_context())
        listener.loop.start()
        connection, _ = silent.accept()
        with connection:
            assert connection.recv(1)  # its greeting

            listener.loop.stop()

            assert listener.failures == []
        eventually("the attempt ends by itself", lambda: listener.failures)


def test_a_sleeping_loop_is_woken_by_what_another_thread_publishes(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.mqtt_loop.LOOK_AGAIN_S", 30.0)

    with listening(broker) as listener, connected_sender(broker.port):
        for number in range(20):
            receipt = listener.client.publish("cellar/said", str(number), qos=1)
            receipt.wait_for_publish(10)
            assert receipt.is_published()


def test_two_that_throw_each_other_off_the_broker_wait_longer_and_longer(broker: Broker) -> None:
    waits = Waits()
    with listening(broker), listening(broker, waits):
        eventually("it was thrown off six times", lambda: len(waits.asked_s) >= 6)

    assert waits.asked_s[0] == 0.05
    assert waits.asked_s[3:6] == [0.2] * 3
