"""Ingest: from the inbox into storage, acknowledged only after the commit. Shell; knows no SQL."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Protocol, TypeVar

import structlog

from collector.admit import DEFAULT_LIMITS, Limits
from collector.advert import BleDecoding
from collector.backlog import Backlog, is_stamped, overtakes, says_no_time
from collector.decode import DEFAULT_DECODING, Decoding
from collector.flood import DEFAULT_FLOOD, Allowance, FloodLimits, remembered, spend
from collector.heard import HeardFloat, note
from collector.inbox import Delivery, Inbox
from collector.one_reading import Kept, keep
from collector.packet import Packet, Reason, Refusal, Rejected, rejected
from collector.packet_reader import PacketReader
from collector.probe import thin_out
from collector.steady import steady_s
from collector.timekeeper import Timekeeper, utc_now
from gylewatch.errors import NotFound, StorageError
from gylewatch.values import FloatId, ProbeReading, Reading

BATCH_PACKETS = 1000
# All that one broker may send ahead: with half of it the two threads were in each other's way, and there were twice as
# many commits (`python -m benchmarks.collector`).
FIRST_RETRY_S, LAST_RETRY_S = 0.1, 5.0  # a lock clears in milliseconds; a full disk takes a person
PERMANENT_RETRY_S = 30.0
_LOOK_AGAIN_S = 0.5
_FLOOD_SHOWN = timedelta(hours=1)  # long enough to be seen by who looks now and then

_T = TypeVar("_T")

_log = structlog.get_logger(__name__)


class Sink(Protocol):
    """Where readings and refusals are kept. Each call is one transaction.

    All raise `StorageError`; `append_readings` also `NotFound` for a float that was removed meanwhile.
    """

    def append_readings(self, readings: Sequence[Reading], /) -> int: ...

    def append_probe_readings(self, readings: Sequence[ProbeReading], /) -> int: ...

    def append_rejected(self, rejected: Sequence[Rejected], /) -> None: ...

    def keep_signals(self, readings: Sequence[Reading], /) -> None: ...


_Found = tuple[Packet, list[Rejected]]
_Outcome = Reading | ProbeReading | Rejected
Read = Callable[[Packet, datetime, Collection[FloatId]], tuple[_Outcome, ...]]


@dataclass(slots=True)
class _Taken:
    """What a batch comes to."""

    read: list[tuple[Delivery, Packet, tuple[_Outcome, ...]]] = field(default_factory=list)
    # To be acknowledged once the rest, which follows from it, is stored.
    readings: list[tuple[Packet, Reading]] = field(default_factory=list)
    probes: list[ProbeReading] = field(default_factory=list)
    refused: list[_Found] = field(default_factory=list)
    overtaken: dict[str, list[Packet]] = field(default_factory=dict)  # by origin: others waited behind these


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestHealth:
    """What has come in since the start. `problem` is one sentence while storage or the clock keeps readings
    waiting, or a sender is cut."""

    received: int  # packets
    accepted: int  # new readings
    duplicates: int  # readings that were stored already
    rejected: int
    thinned: int  # readings of probes that report more often than is of use
    limited: int  # packets without a usable reading, beyond what one sender may send
    queued: int
    stopped: str | None  # that part of `problem` which is storage's, or a fault of the program
    problem: str | None


def reader(
    decoding: Decoding | Mapping[str, Decoding] = DEFAULT_DECODING,
    limits: Limits = DEFAULT_LIMITS,
    ble: Callable[[], BleDecoding] | None = None,
) -> PacketReader:
    """The usual way of reading a packet, with the user's settings.

    `decoding` may differ by the packet's receiver; a receiver that is not among them is read in the plain way.
    `ble` is asked for each advertisement: which floats are adopted by now. One reader serves one ingest.
    """
    by_receiver = {} if isinstance(decoding, Decoding) else decoding
    otherwise = decoding if isinstance(decoding, Decoding) else DEFAULT_DECODING
    return PacketReader(by_receiver, otherwise, limits, ble or BleDecoding)


class Ingest:
    """Takes packets from an inbox, reads them, stores them and acknowledges them, in one thread of its own.

    Parameters
    ----------
    inbox : where the receivers put their packets
    sink : where readings are kept
    known : asked once for each batch: the floats that the user has added
    read : how a packet is read; see `reader`
    sender : the float from whose radio address a packet came, as it is called when `known` was asked last
    now : the clock
    timekeeper : whether the clock is believed; until it is, packets wait, unacknowledged
    flood : how much one sender may send that cannot be used; readings of known floats are never dropped, since a
        broker may have kept any number of them for us
    on_stored : called with the readings of each batch after their commit; must not block for long and not raise
    """

    def __init__(
        self,
        inbox: Inbox,
        sink: Sink,
        known: Callable[[], Collection[FloatId]],
        *,
        read: Read | None = None,
        sender: Callable[[Packet], FloatId | None] = lambda _: None,
        now: Callable[[], datetime] = utc_now,
        timekeeper: Timekeeper | None = None,
        flood: FloodLimits = DEFAULT_FLOOD,
        on_stored: Callable[[Sequence[Reading]], None] | None = None,
        batch_packets: int = BATCH_PACKETS,
    ) -> None:
        self._inbox = inbox
        self._sink = sink
        self._known = known
        self._read = read or reader()
        self._sender = sender
        self._now = now
        self._timekeeper = timekeeper or Timekeeper(now=now)
        self._flood = flood
        self._allowances: dict[str, Allowance] = {}
        self._limited: tuple[str, datetime] | None = None  # who went beyond it last, and when
        self._newest: Mapping[FloatId, Kept] = {}
        self._probes: Mapping[str, datetime] = {}  # the last reading of each that was kept
        self._heard: Mapping[str, HeardFloat] = {}
        self._on_stored = on_stored
        self._batch_packets = batch_packets
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._counts: Counter[str] = Counter()
        self._problem: str | None = None
        self._in_hand = 0  # taken from the inbox and not stored yet
        self._backlog = Backlog()

    def start(self) -> None:
        """Begin in a thread of its own."""
        self._thread = threading.Thread(target=self._run_in_thread, name="ingest", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 10.0) -> None:
        """Finish the batch in hand if storage takes it, and end. What was not stored is not acknowledged."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def run(self) -> None:
        """Ingest until `stop` is called; for a caller that brings its own thread."""
        while not self._stopping.is_set():
            self._wait_for_the_clock()
            batch = self._inbox.take(self._batch_packets, _LOOK_AGAIN_S)
            self._in_hand = len(batch)
            self._wait_for_the_clock()  # it may have leapt while we waited for packets
            if (batch or len(self._backlog)) and not self._stopping.is_set():
                self._ingest(batch)
            self._in_hand = 0

    def _wait_for_the_clock(self) -> None:
        while self._timekeeper.look() is not None and not self._stopping.wait(_LOOK_AGAIN_S):
            pass

    def _run_in_thread(self) -> None:
        try:
            self.run()
        finally:  # the traceback goes to the thread's own hook; the health must not stay green
            if not self._stopping.is_set():
                self._problem = "no readings are taken because of a fault in the program; restart it and see its log"

    def heard(self) -> tuple[HeardFloat, ...]:
        """Floats that report and that nobody added; any thread."""
        return tuple(self._heard.values())

    def health(self) -> IngestHealth:
        """A snapshot; any thread."""
        counts = self._counts
        return IngestHealth(
            received=counts["received"],
            accepted=counts["accepted"],
            duplicates=counts["duplicates"],
            rejected=counts["rejected"],
            thinned=counts["thinned"],
            limited=counts["limited"],
            queued=len(self._inbox) + self._in_hand + len(self._backlog),
            stopped=self._problem,
            problem=self._problem or self._timekeeper.doubt or self._flood_problem(),
        )

    def _ingest(self, batch: Sequence[Delivery]) -> None:
        known = self._persistently(self._known)
        if known is None:
            return
        taken = self._read_all(batch, known)
        self._in_hand = len(taken.read)
        self._counts["received"] += len(taken.read)
        if taken.probes and not self._store_probes(taken.probes):
            return
        readings, better = self._without_repeats(taken.readings)
        stored = self._store(readings, self._within_allowance(taken.refused))
        if stored is None or (better and not self._persistently(lambda: self._keep_signals(better))):
            return
        for delivery, _, _ in taken.read:
            delivery.acknowledge()
        if stored and self._on_stored is not None:
            self._on_stored(stored)

    def _read_all(self, batch: Sequence[Delivery], known: Collection[FloatId]) -> _Taken:
        """What is to be stored or refused now; what waited at a broker and says no time is held back."""
        now = self._timekeeper.now()
        taken = _Taken()
        for delivery in batch:
            packet = self._timekeeper.arrival(delivery.packet, delivery.arrived_s)
            outcomes = self._read(packet, now, known)
            holds = packet.waited and says_no_time(outcomes, packet)
            if holds or len(self._backlog):
                self._release_before(delivery, taken, now, known)
            if holds:
                self._backlog.hold(delivery)
            else:
                taken.read.append((delivery, packet, outcomes))
        if len(self._backlog):
            for delivery in self._backlog.due(steady_s()):
                self._release(delivery, taken, now, known, is_overtaken=False)
        self._sort(taken)
        return taken

    def _release_before(self, delivery: Delivery, taken: _Taken, now: datetime, known: Collection[FloatId]) -> None:
        before = self._backlog.before(delivery)
        if before is not None:
            self._release(before, taken, now, known, is_overtaken=overtakes(delivery, before))

    def _release(
        self, delivery: Delivery, taken: _Taken, now: datetime, known: Collection[FloatId], *, is_overtaken: bool
    ) -> None:
        # Read once more: meanwhile the clock may have been set, or the float removed.
        packet = self._timekeeper.arrival(delivery.packet, delivery.arrived_s)
        outcomes = self._read(packet, now, known)
        if is_overtaken and says_no_time(outcomes, packet):
            taken.overtaken.setdefault(packet.origin, []).append(packet)
            outcomes = tuple(outcome for outcome in outcomes if not is_stamped(outcome, packet))
        taken.read.append((delivery, packet, outcomes))

    def _sort(self, taken: _Taken) -> None:
        for _, packet, outcomes in taken.read:
            unusable = []
            for outcome in outcomes:
                if isinstance(outcome, Reading):
                    taken.readings.append((packet, outcome))
                elif isinstance(outcome, ProbeReading):
                    taken.probes.append(outcome)
                else:
                    unusable.append(outcome)
                    self._heard = note(self._heard, packet, outcome)
            if unusable:
                taken.refused.append((packet, unusable))
        # One line for all of them: they are no flood, and would push out every other refusal.
        taken.refused += [(packets[-1], [_of_unknown_time(packets)]) for packets in taken.overtaken.values()]

    def _without_repeats(
        self, found: Sequence[tuple[Packet, Reading]]
    ) -> tuple[list[tuple[Packet, Reading]], list[Reading]]:
        """Each reading once, and those whose signal another receiver has heard better."""
        readings: list[tuple[Packet, Reading]] = []
        better: dict[FloatId, Reading] = {}
        for packet, reading in found:
            before = self._newest.get(reading.float_id)
            self._newest, is_new = keep(self._newest, packet, reading)
            if is_new:
                readings.append((packet, reading))
                continue
            self._counts["duplicates"] += 1
            if self._newest[reading.float_id] is not before:
                better[reading.float_id] = self._newest[reading.float_id].reading
        return readings, list(better.values())

    def _within_allowance(self, found: Sequence[_Found]) -> list[Rejected]:
        """Refusals within their sender's allowance, and one for each sender that goes beyond it."""
        kept: list[Rejected] = []
        flooding: dict[str, Packet] = {}
        for packet, refused in found:
            if _is_kept(refused):
                kept += refused
                continue
            allowance, passes = spend(self._flood, self._allowances, packet.origin, packet.received)
            self._allowances[packet.origin] = allowance
            if passes:
                kept += refused
                continue
            flooding.setdefault(packet.origin, packet)
            self._counts["limited"] += 1
            self._limited = (packet.origin, self._now())
        self._allowances = remembered(self._allowances)
        detail = f"more than {self._flood.rate_per_s:g} packets a second from one sender; the rest is dropped, check it"
        refusal = Refusal(reason=Reason.TOO_FREQUENT, detail=detail)
        return kept + [rejected(packet, refusal) for packet in flooding.values()]

    def _flood_problem(self) -> str | None:
        if self._limited is None or self._now() - self._limited[1] > _FLOOD_SHOWN:
            return None
        return (
            f"{self._limited[0][:80]!r} sends more packets that cannot be used than can be looked at; "
            f"{self._counts['limited']} were dropped since the start: add its float, or find out who sends"
        )

    def _store(self, read: list[tuple[Packet, Reading]], refused: list[Rejected]) -> tuple[Reading, ...] | None:
        """The readings that were committed; None when told to stop before all was."""
        readings = tuple(reading for _, reading in read)
        try:
            new = self._persistently(lambda: self._sink.append_readings(readings)) if readings else 0
        except NotFound:  # a float was removed, or renamed, since the batch was read
            return self._store_what_is_known(read, refused)
        if new is None or (refused and not self._persistently(lambda: self._append_rejected(refused))):
            return None
        self._counts["accepted"] += new
        self._counts["duplicates"] += len(readings) - new
        self._counts["rejected"] += sum(not each.reading_is_kept for each in refused)
        return readings

    def _store_probes(self, probes: Sequence[ProbeReading]) -> bool:
        """Whether those that are wanted were committed; not so when told to stop before that."""
        last, wanted = thin_out(self._probes, probes)
        new = self._persistently(lambda: self._sink.append_probe_readings(wanted)) if wanted else 0
        if new is None:
            return False
        self._probes = last
        self._counts["accepted"] += new
        self._counts["duplicates"] += len(wanted) - new
        self._counts["thinned"] += len(probes) - len(wanted)
        return True

    def _store_what_is_known(
        self, read: list[tuple[Packet, Reading]], refused: list[Rejected]
    ) -> tuple[Reading, ...] | None:
        known = self._persistently(self._known)
        if known is None or self._stopping.wait(FIRST_RETRY_S):
            return None
        kept: list[tuple[Packet, Reading]] = []
        gone: list[Rejected] = []
        for packet, reading in read:
            name = reading.float_id if reading.float_id in known else self._sender(packet)
            if name is not None and name in known:
                kept.append((packet, replace(reading, float_id=name)))
            else:
                gone.append(rejected(packet, _gone(reading.float_id)))
        return self._store(kept, refused + gone)

    def _keep_signals(self, better: Sequence[Reading]) -> bool:
        self._sink.keep_signals(better)
        return True

    def _append_rejected(self, refused: Sequence[Rejected]) -> bool:
        self._sink.append_rejected(refused)
        return True

    def _persistently(self, call: Callable[[], _T]) -> _T | None:
        """Call until it succeeds; None when told to stop before that."""
        wait_s = FIRST_RETRY_S
        while True:
            try:
                result = call()
            except StorageError as error:
                if self._problem != str(error):
                    self._problem = str(error)
                    _log.error("storage refuses readings; they are kept and tried again", problem=str(error))
                if self._stopping.wait(wait_s if error.retry else PERMANENT_RETRY_S):
                    return None
                wait_s = min(2 * wait_s, LAST_RETRY_S)
            else:
                if self._problem is not None:
                    self._problem = None
                    _log.info("storage takes readings again")
                return result


def _gone(name: FloatId) -> Refusal:
    detail = f"the float {name!r} was removed or renamed while it reported"
    return Refusal(reason=Reason.UNKNOWN_FLOAT, detail=detail, float_name=name)


def _of_unknown_time(packets: Sequence[Packet]) -> Rejected:
    detail = (
        f"{len(packets)} that waited at the broker and say no time, before a newer one: nobody knows when they were "
        "measured; let the float send the time"
    )
    return rejected(packets[-1], Refusal(reason=Reason.TIME_UNKNOWN, detail=detail))


def _is_kept(refused: Sequence[Rejected]) -> bool:
    """Whether the packet's readings are kept all the same, so that it is no part of a flood."""
    return all(each.reading_is_kept for each in refused)
