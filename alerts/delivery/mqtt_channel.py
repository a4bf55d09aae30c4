"""Alerts for other programs, as JSON over MQTT. The connection belongs to the service, which passes its publish."""

from __future__ import annotations

import json
import math
from collections.abc import Callable

from alerts.alert import Alert
from alerts.delivery.channel import Notice
from gylewatch.errors import DeliveryError, TransportError

TOPIC = "gylewatch/v1/alerts/"

Publish = Callable[[str, bytes], None]
"""Publishes a payload on a topic at QoS 1 and returns when the broker has it; raises `TransportError` otherwise."""


class MqttChannel:
    """Publishes each alert on ``gylewatch/v1/alerts/<batch>``, as one line of ``alerts.jsonl``."""

    def __init__(self, name: str, publish: Publish) -> None:
        self._name = name
        self._publish = publish

    @property
    def name(self) -> str:
        """The name the user gave the channel."""
        return self._name

    def deliver(self, notice: Notice) -> None:
        """Publish one notice; raises `DeliveryError` that is worth another try while the broker is away."""
        try:
            self._publish(TOPIC + notice.batch_id, payload(notice.alert))
        except TransportError as error:
            raise DeliveryError(self._name, retry=True, reason=str(error)) from error


def payload(alert: Alert) -> bytes:
    """The alert as the contract's JSON object."""
    text = json.dumps(
        {
            "time": alert.time.isoformat().replace("+00:00", "Z"),
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
