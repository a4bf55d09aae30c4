"""The ways in which readings arrive, from the health of brokers and radio: for the page, and for telling outages."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from collector.ble import RadioHealth
from collector.mqtt import BrokerHealth
from gylewatch.outages import Receiver


def receivers_of(brokers: Iterable[BrokerHealth], radios: Sequence[RadioHealth]) -> list[Receiver]:
    """Every receiver of the configuration."""
    found = [
        Receiver(
            cause=f"broker:{health.name}",
            name=f"the broker {health.name} at {health.place}",
            works=health.connected,
            since=health.since,
            problem=health.problem,
        )
        for health in brokers
    ]
    for radio in radios:
        several = len(radios) > 1
        found.append(
            Receiver(
                cause=f"radio:{radio.place}" if several else "radio",
                name=f"Bluetooth on {radio.place}" if several else "Bluetooth",
                works=radio.scanning,
                since=radio.since,
                problem=radio.problem,
            )
        )
    return found


def told_broker(broker: BrokerHealth) -> str:
    """One line about a broker, for the page."""
    if broker.connected:
        return f"{broker.name} at {broker.place}: connected since {broker.since:%Y-%m-%d %H:%M}Z"
    return f"{broker.name}: {broker.problem or 'not connected'}"


def told_radio(radio: RadioHealth) -> str:
    """One line about the radio, for the page."""
    if radio.scanning:
        return f"Bluetooth on {radio.place}: listening since {radio.since:%Y-%m-%d %H:%M}Z"
    return f"Bluetooth: {radio.problem or 'not listening'}"
