"""PacketReader: from a packet to readings and refusals, with the user's settings and what was heard before."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from datetime import datetime

from collector.admit import Limits, admit_slot
from collector.advert import BleDecoding, Sender, decode_heard, unsaved_counters
from collector.decode import Decoding, read_packet
from collector.packet import Packet, Rejected, Source
from gylewatch.values import FloatId, ProbeReading, Reading


class PacketReader:
    """Reads packets in the order in which they came. One thread only.

    What must be remembered of radio senders (counters against replay, packet ids) lives as long as the reader.

    Parameters
    ----------
    decodings : by the name of the receiver
    otherwise : for a receiver that is not among them
    limits : how far a float's clock may be from ours
    ble : asked for each advertisement: which floats are adopted by now, with their saved counters
    """

    def __init__(
        self,
        decodings: Mapping[str, Decoding],
        otherwise: Decoding,
        limits: Limits,
        ble: Callable[[], BleDecoding],
    ) -> None:
        self._decodings = decodings
        self._otherwise = otherwise
        self._limits = limits
        self._ble = ble
        self._senders: Mapping[str, Sender] = {}

    def __call__(
        self, packet: Packet, now: datetime, known: Collection[FloatId]
    ) -> tuple[Reading | ProbeReading | Rejected, ...]:
        if packet.source is not Source.BLE:
            its = self._decodings.get(packet.receiver, self._otherwise)
            return read_packet(packet, now=now, known=known, decoding=its, limits=self._limits)
        self._senders, found = decode_heard(self._ble(), self._senders, packet)
        return () if found is None else admit_slot(found, packet, now=now, known=known, limits=self._limits)

    def sender(self, packet: Packet) -> FloatId | None:
        """The float from whose radio address a packet came, as it is called now; None: it names its float itself."""
        adopted = self._ble().floats.get(packet.origin.upper()) if packet.source is Source.BLE else None
        return None if adopted is None else FloatId(adopted.name)

    def unsaved_counters(self) -> Mapping[FloatId, int]:
        """Counters of encrypted floats that have moved since they were saved; to be saved with their readings."""
        return {FloatId(name): counter for name, counter in unsaved_counters(self._ble(), self._senders).items()}
