"""Alerts for other programs, as JSON over MQTT. The connection belongs to the service, which passes its publish."""

from __future__ import annotations

import json
import math
from collections.abc import Callable

from alerts.alert import Alert
from alerts.delivery.channel import Message, ServiceNotice
from collector.topics import DEFAULT_PREFIX, alerts_topic, notices_topic
from gylewatch.errors import DeliveryError, TransportError
from gylewatch.values import utc_text

Publish = Callable[[str, bytes], None]
"""Publishes a payload on a topic at QoS 1 and returns when the broker has it; raises `TransportError` otherwise."""


class MqttChannel:
    """Publishes each alert on ``<prefix>/alerts/<batch>``, as one line of ``alerts.jsonl``.

    What concerns the service and no batch goes to ``<prefix>/service/notices``.
    """

    def __init__(self, name: str, publish: Publish, *, prefix: str = DEFAULT_PREFIX) -> None:
        self._name = name
        self._publish = publish
        self._prefix = prefix

    @property
    def name(self) -> str:
        """The name the user gave the channel."""
        return self._name

    def deliver(self, message: Message) -> None:
        """Publish one message; raises `DeliveryError` that is worth another try while the broker is away."""
        if isinstance(message, ServiceNotice):
            topic, content = notices_topic(self._prefix), notice_payload(message)
        else:
            topic, content = alerts_topic(message.batch_id, self._prefix), payload(message.alert)
        try:
            self._publish(topic, content)
        except TransportError as error:
            raise DeliveryError(self._name, retry=True, reason=str(error)) from error


def notice_payload(notice: ServiceNotice) -> bytes:
    """A notice about the service as a JSON object."""
    content = {
        "time": utc_text(notice.time),
        "cause": notice.cause,
        "severity": notice.severity.value,
        "title": notice.title,
        "text": notice.text,
        "ends": notice.ends,
    }
    return json.dumps(content, ensure_ascii=False).encode()


def payload(alert: Alert) -> bytes:
    """The alert as the contract's JSON object."""
    text = json.dumps(
        {
            "time": utc_text(alert.time),
            "kind": alert.kind.value,
            "severity": alert.severity.value,
            "summary": alert.summary,
            "evidence": {name: _finite(value) for name, value in alert.evidence.items()},
            "resolves": None if alert.resolves is None else alert.resolves.value,
        },
        ensure_ascii=False,
        allow_nan=False,
    )
    return text.encode()


def _finite(value: float | int | str | bool | None) -> float | int | str | bool | None:
    # JSON has no word for infinity (RFC 8259, section 6).
    return None if isinstance(value, float) and not math.isfinite(value) else value
