"""A float's side of MQTT: a real client that publishes readings at QoS 1."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from collector.senml import encode_senml_json
from collector.topics import readings_topic
from gylewatch.values import FloatId, Reading

START = datetime.now(UTC).replace(microsecond=0) - timedelta(days=10)


def reading(number: int, name: str = "heron") -> Reading:
    """The reading with this number: 15 minutes apart, none like another."""
    return Reading(
        time=START + timedelta(minutes=15 * number),
        float_id=FloatId(name),
        angle_deg=60.0 - number % 1000 / 50,
        temperature_c=19.0,
    )


class Sender:
    def __init__(self, client: Client) -> None:
        self._client = client

    def send(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Publish and wait for the broker's receipt."""
        self._client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(10)

    def send_readings(self, numbers: range, name: str = "heron") -> None:
        receipts = [
            self._client.publish(readings_topic(name), encode_senml_json([reading(number, name)]), qos=1)
            for number in numbers
        ]
        for receipt in receipts:
            receipt.wait_for_publish(30)


@contextmanager
def connected_sender(port: int, username: str | None = None, password: str | None = None) -> Iterator[Sender]:
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    if username is not None:
        client.username_pw_set(username, password)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        yield Sender(client)
    finally:
        client.disconnect()
        client.loop_stop()
