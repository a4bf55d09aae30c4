"""The ways in which readings arrive, from the health of brokers and radio: for the page, and for telling outages."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from collector.ble import RadioHealth
from collector.mqtt import BrokerHealth
from gylewatch.outages import Receiver

STORING: Final = "storing"  # the cause of what keeps readings
_STAMPED_LATER: Final = timedelta(minutes=1)  # by another thread, meanwhile


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


def inner_parts(
    before: Sequence[Receiver], *, stopped: str | None, doubt: str | None, now: datetime
) -> tuple[Receiver, ...]:
    """What every reading needs once it has arrived: storing, and a clock that is believed.

    Parameters
    ----------
    before : from the look before; empty at first
    stopped : why no readings are stored
    doubt : why the clock is not believed
    """
    parts = (
        Receiver(
            cause=STORING,
            name="storage",
            works=stopped is None,
            since=now,
            problem=stopped,
            title="Readings are not stored",
            consequence="Readings wait, and none is lost that a broker or a float keeps.",
        ),
        Receiver(
            cause="clock",
            name="the clock",
            works=doubt is None,
            since=now,
            problem=doubt,
            title="This machine's clock cannot be believed",
            consequence="Readings wait, and get their right time once it is known.",
        ),
    )
    known = {each.cause: each for each in before}
    return tuple(
        replace(part, since=known[part.cause].since)
        if part.cause in known and known[part.cause].works == part.works
        else part
        for part in parts
    )


def by_one_clock(receivers: Iterable[Receiver], set_at: datetime, now: datetime) -> list[Receiver]:
    """`receivers` with states that begin when the clock was last set, where they were stamped by the clock before.

    Else one that was away at that moment would have been away for as long as the clock was wrong.
    """
    return [each if set_at <= each.since <= now + _STAMPED_LATER else replace(each, since=set_at) for each in receivers]


def told_broker(broker: BrokerHealth) -> str:
    """One line about a broker, for the page."""
    if broker.connected:
        return f"{broker.name} at {broker.place}: connected since {broker.since:%Y-%m-%d %H:%M}Z"
    return f"{broker.name}: {broker.problem or 'not connected'}"


def told_radio(radio: RadioHealth) -> str:
    """One line about the radio, for the page."""
    lost = f"; {radio.dropped} advertisements were lost because storage was too slow" if radio.dropped else ""
    if radio.scanning:
        return f"Bluetooth on {radio.place}: listening since {radio.since:%Y-%m-%d %H:%M}Z{lost}"
    return f"Bluetooth: {radio.problem or 'not listening'}{lost}"
