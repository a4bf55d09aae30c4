"""Ingest: from the inbox into storage, acknowledged only after the commit. Shell; knows no SQL."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol, TypeVar

import structlog

from collector.admit import DEFAULT_LIMITS, Limits
from collector.decode import DEFAULT_DECODING, Decoding, read_packet
from collector.inbox import Delivery, Inbox
from collector.packet import Packet, Rejected
from gylewatch.errors import NotFound, StorageError
from gylewatch.values import FloatId, Reading

BATCH_PACKETS = 200
# One commit for 200 packets costs little more than for one (test bench: 100 rows a commit reach 70 % of the rate of
# 1000), and a float waits no longer for its acknowledgement than one commit.
FIRST_RETRY_S, LAST_RETRY_S = 0.1, 5.0  # a lock clears in milliseconds; a full disk takes a person
PERMANENT_RETRY_S = 30.0
_LOOK_AGAIN_S = 0.5

_T = TypeVar("_T")

_log = structlog.get_logger(__name__)


class Sink(Protocol):
    """Where readings and refusals are kept. Each call is one transaction.

    Both raise `StorageError`; `append_readings` also `NotFound` for a float that was removed meanwhile.
    """

    def append_readings(self, readings: Sequence[Reading], /) -> int: ...

    def append_rejected(self, rejected: Sequence[Rejected], /) -> None: ...


Read = Callable[[Packet, datetime, Collection[FloatId]], tuple[Reading | Rejected, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class IngestHealth:
    """What has come in since the start. `problem` is one sentence while storage refuses to store."""

    received: int  # packets
    accepted: int  # new readings
    duplicates: int  # readings that were stored already
    rejected: int
    queued: int
    storage_retries: int
    problem: str | None


def utc_now() -> datetime:
    return datetime.now(UTC)


def reader(decoding: Decoding = DEFAULT_DECODING, limits: Limits = DEFAULT_LIMITS) -> Read:
    """The usual way of reading a packet, with the user's settings."""

    def read(packet: Packet, now: datetime, known: Collection[FloatId]) -> tuple[Reading | Rejected, ...]:
        return read_packet(packet, now=now, known=known, decoding=decoding, limits=limits)

    return read


class Ingest:
    """Takes packets from an inbox, reads them, stores them and acknowledges them, in one thread of its own.

    Parameters
    ----------
    inbox : where the receivers put their packets
    sink : where readings are kept
    known : asked once for each batch: the floats that the user has added
    read : how a packet is read; see `reader`
    now : the clock
    on_stored : called with the readings of each batch after their commit; must not block for long and not raise
    """

    def __init__(
        self,
        inbox: Inbox,
        sink: Sink,
        known: Callable[[], Collection[FloatId]],
        *,
        read: Read | None = None,
        now: Callable[[], datetime] = utc_now,
        on_stored: Callable[[Sequence[Reading]], None] | None = None,
        batch_packets: int = BATCH_PACKETS,
    ) -> None:
        self._inbox = inbox
        self._sink = sink
        self._known = known
        self._read = read or reader()
        self._now = now
        self._on_stored = on_stored
        self._batch_packets = batch_packets
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._counts: Counter[str] = Counter()
        self._problem: str | None = None

    def start(self) -> None:
        """Begin in a thread of its own."""
        self._thread = threading.Thread(target=self.run, name="ingest", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 10.0) -> None:
        """Finish the batch in hand if storage takes it, and end. What was not stored is not acknowledged."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout_s)

    def run(self) -> None:
        """Ingest until `stop` is called; for a caller that brings its own thread."""
        while not self._stopping.is_set():
            batch = self._inbox.take(self._batch_packets, _LOOK_AGAIN_S)
            if batch:
                self._ingest(batch)

    def health(self) -> IngestHealth:
        """A snapshot; any thread."""
        counts = self._counts
        return IngestHealth(
            received=counts["received"],
            accepted=counts["accepted"],
            duplicates=counts["duplicates"],
            rejected=counts["rejected"],
            queued=len(self._inbox),
            storage_retries=counts["retries"],
            problem=self._problem,
        )

    def _ingest(self, batch: Sequence[Delivery]) -> None:
        self._counts["received"] += len(batch)
        stored = self._read_and_store(batch)
        while stored is None and not self._stopping.is_set():  # a float was removed in between: judge the batch again
            stored = self._read_and_store(batch)
        if stored is None:
            return
        for delivery in batch:
            delivery.acknowledge()
        if stored and self._on_stored is not None:
            self._on_stored(stored)

    def _read_and_store(self, batch: Sequence[Delivery]) -> tuple[Reading, ...] | None:
        """The readings that were committed; None when not all could be."""
        known = self._persistently(self._known)
        if known is None:
            return None
        now = self._now()
        readings: list[Reading] = []
        refused: list[Rejected] = []
        for delivery in batch:
            for outcome in self._read(delivery.packet, now, known):
                if isinstance(outcome, Reading):
                    readings.append(outcome)
                else:
                    refused.append(outcome)
        try:
            return tuple(readings) if self._store(readings, refused) else None
        except NotFound:
            return None

    def _store(self, readings: Sequence[Reading], refused: Sequence[Rejected]) -> bool:
        if readings:
            new = self._persistently(lambda: self._sink.append_readings(readings))
            if new is None:
                return False
            self._counts["accepted"] += new
            self._counts["duplicates"] += len(readings) - new
        if refused:
            done = self._persistently(lambda: self._append_rejected(refused))
            if done is None:
                return False
            self._counts["rejected"] += len(refused)
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
                self._counts["retries"] += 1
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
