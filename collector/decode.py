"""Decode: a packet that came over MQTT or HTTP, by its topic, to readings and refusals. Pure."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from itertools import chain

from collector.admit import DEFAULT_LIMITS, Limits, admit, admit_slot
from collector.mapping import JsonMapping, decode_json
from collector.packet import Fields, Packet, Reason, Refusal, Rejected, Source
from collector.probe import Probe, read_probe
from collector.senml import decode_senml
from collector.tilt import Axis
from collector.topics import DEFAULT_PREFIX, float_of_topic, matches
from gylewatch.values import FloatId, ProbeReading, Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoding:
    """What the user set about the meaning of topics and payloads."""

    prefix: str = DEFAULT_PREFIX
    mappings: tuple[JsonMapping, ...] = ()
    probes: tuple[Probe, ...] = ()
    long_axis: Axis = Axis.Z  # of floats that send ax, ay, az

    def probes_on(self, packet: Packet) -> tuple[Probe, ...]:
        """The probes whose topic a packet came on."""
        if not self.probes or packet.source is not Source.MQTT:
            return ()
        return tuple(probe for probe in self.probes if probe.topic_under(self.prefix) == packet.origin)

    def names_float(self, topic: str) -> bool:
        """Whether what comes on a topic is read as a float's."""
        ours = float_of_topic(topic, self.prefix) is not None
        return ours or any(matches(mapping.topic, topic) for mapping in self.mappings)


DEFAULT_DECODING = Decoding()


def decode(packet: Packet, decoding: Decoding = DEFAULT_DECODING) -> tuple[Fields | Refusal, ...]:
    """What `packet` says, by its topic: SenML on the readings topic, the user's mappings on others. Never raises."""
    over_http = packet.source is Source.HTTP  # there the origin is the float itself
    name = packet.origin if over_http else float_of_topic(packet.origin, decoding.prefix)
    if name is not None:
        return decode_senml(name, packet.payload, packet.received, long_axis=decoding.long_axis)
    for mapping in decoding.mappings:
        if matches(mapping.topic, packet.origin):
            return (decode_json(mapping, packet.origin, packet.payload),)
    return (
        Refusal(
            reason=Reason.UNKNOWN_TOPIC,
            detail=f"no mapping covers the topic {packet.origin[:200]!r}; write one, or publish SenML on "
            f"{decoding.prefix}/readings/<float>",
        ),
    )


def read_packet(
    packet: Packet,
    *,
    now: datetime,
    known: Collection[FloatId],
    decoding: Decoding = DEFAULT_DECODING,
    limits: Limits = DEFAULT_LIMITS,
) -> tuple[Reading | ProbeReading | Rejected, ...]:
    """Decode and admit one packet.

    Parameters
    ----------
    packet : its origin is the topic, or over HTTP the float's name
    now : aware, UTC; a clock that can be trusted
    known : the floats that the user has added

    Returns
    -------
    At least one reading or refusal, see `admit_slot`. A retained packet is refused whole, unread.
    """
    if packet.retained:
        name = float_of_topic(packet.origin, decoding.prefix)
        unread = Refusal(reason=Reason.RETAINED, detail="", float_name=name)
        return (admit(unread, packet, now=now, known=known, limits=limits),)
    probes = decoding.probes_on(packet)
    said = tuple(each for probe in probes for each in read_probe(probe, packet, now=now, limits=limits))
    if probes and not decoding.names_float(packet.origin):
        return said
    slots = [admit_slot(found, packet, now=now, known=known, limits=limits) for found in decode(packet, decoding)]
    return (*said, *chain.from_iterable(slots))
