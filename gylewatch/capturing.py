"""Capturing: the raw packets of one float, beside the running service and without taking anything from it."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from collector.advert import BleDecoding, Sender, decode_heard
from collector.ble import BleCollector
from collector.decode import DEFAULT_DECODING, Decoding, decode
from collector.echo_window import EchoWindow
from collector.inbox import Inbox
from collector.mqtt import MqttCollector
from collector.packet import Fields, Packet, Refusal, Source
from collector.topics import matches
from gylewatch.config import Settings
from gylewatch.http_ear import HttpEar
from gylewatch.values import natural_order

_LOOK_AGAIN_S = 0.2
_MOST_NAMED = 5
_MOST_OTHERS = 1000  # made-up names must not fill the memory

_Receiver = MqttCollector | BleCollector | HttpEar


class Reader:
    """Decodes packets in the order in which they were heard; remembers what advertisements need.

    Parameters
    ----------
    decodings : by the name of the receiver; one that is missing is read in the plain way
    ble : which address is which float
    """

    def __init__(self, decodings: Mapping[str, Decoding], ble: BleDecoding) -> None:
        self._decodings = decodings
        self._ble = ble
        self._senders: Mapping[str, Sender] = {}

    def read(self, packet: Packet) -> tuple[Fields | Refusal, ...]:
        """What a packet says; empty for an advertisement that is no news."""
        if packet.source is not Source.BLE:
            return decode(packet, self._decodings.get(packet.receiver, DEFAULT_DECODING))
        self._senders, found = decode_heard(self._ble, self._senders, packet)
        return () if found is None else (found,)

    def concerns(self, packet: Packet, name: str) -> bool:
        """Whether a packet comes from the float `name`, or may: a payload that cannot be read may hide the name."""
        if packet.origin.upper() == name.upper():
            return True
        if packet.source is Source.BLE:
            adopted = self._ble.floats.get(packet.origin.upper())
            return adopted is not None and adopted.name == name
        names = {each.float_name for each in self.read(packet)}
        return name in names or (None in names and self._may_name(packet))

    def names(self, packet: Packet) -> set[str]:
        """The floats that a packet names, if it can be read; over Bluetooth an unknown one by its address."""
        return {each.float_name for each in self.read(packet) if each.float_name}

    def _may_name(self, packet: Packet) -> bool:
        decoding = self._decodings.get(packet.receiver, DEFAULT_DECODING)
        first = next((each for each in decoding.mappings if matches(each.topic, packet.origin)), None)
        return first is not None and first.float_pointer is not None


@dataclass(slots=True)
class Around:
    """What is noticed beside a float's packets: whatever explains that none came."""

    others: set[str] = field(default_factory=set)  # floats that were heard meanwhile
    problems: list[str] = field(default_factory=list)  # what keeps receivers from listening at the moment

    def why_nothing(self, name: str) -> str:
        """In one sentence, why no packet of the float `name` came."""
        reasons = list(self.problems)
        if self.others:
            heard = sorted(self.others, key=natural_order)
            more = f" and {len(heard) - _MOST_NAMED} more" if len(heard) > _MOST_NAMED else ""
            reasons.append(
                f"heard were {', '.join(heard[:_MOST_NAMED])}{more}; give the name under which {name} sends, or wait "
                "longer (--minutes)"
            )
        return "; ".join(reasons) or (
            "no float was heard at all; floats report every 15 to 60 minutes, so wait longer (--minutes); then look "
            "whether it is awake and in reach, and whether its topic is one that gylewatch listens to"
        )


def packets_of(
    name: str,
    settings: Settings,
    reader: Reader,
    around: Around,
    *,
    is_over: Callable[[], bool],
    on_problem: Callable[[str], None],
) -> Iterator[Packet]:
    """The packets of the float `name` as they arrive over brokers, radio and HTTP, until `is_over`.

    A client of its own subscribes, so that the service loses none; for HTTP the service is asked. `on_problem` is told
    what keeps a receiver from listening, once for each problem; `around` is kept up to date.
    """
    inbox = Inbox()
    receivers: list[_Receiver] = [
        MqttCollector(replace(broker, client_id=f"{broker.client_id}-capture-{os.getpid()}"), inbox, beside=True)
        for broker in settings.brokers
    ]
    if settings.ble is not None:
        window = EchoWindow()
        receivers += [BleCollector(each, inbox, window=window) for each in settings.ble.radios()]
    if settings.http.token is not None:
        receivers.append(HttpEar(settings.http, name, inbox))
    told: set[str] = set()
    started: list[_Receiver] = []
    try:
        for receiver in receivers:
            receiver.start()
            started.append(receiver)
        while not is_over():
            for delivery in inbox.take(100, _LOOK_AGAIN_S):
                delivery.acknowledge()
                if reader.concerns(delivery.packet, name):
                    yield delivery.packet
                elif len(around.others) < _MOST_OTHERS:
                    around.others |= reader.names(delivery.packet)
            around.problems = _problems(receivers)
            for problem in around.problems:
                if problem not in told and not problem.endswith(" yet"):  # it just began
                    told.add(problem)
                    on_problem(problem)
    finally:
        for receiver in started:
            receiver.stop()


def _problems(receivers: list[_Receiver]) -> list[str]:
    found = [receiver.health().problem for receiver in receivers]
    return [problem for problem in dict.fromkeys(found) if problem is not None]
