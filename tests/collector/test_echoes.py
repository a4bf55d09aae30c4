"""One advertisement, several receivers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from collector.echoes import Waiting, due, hear
from collector.packet import Packet, Source

NOW = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)


def packet(rssi_dbm: int | None, after_ms: int = 0, payload: bytes = b"one") -> Packet:
    return Packet(
        source=Source.BLE,
        origin="C0:FF:EE:00:00:01",
        payload=payload,
        received=NOW + timedelta(milliseconds=after_ms),
        rssi_dbm=rssi_dbm,
    )


def waiting(*packets: Packet) -> Waiting:
    heard: Waiting = {}
    for one in packets:
        heard = hear(heard, one)
    return heard


def test_the_best_signal_and_the_first_arrival_are_kept() -> None:
    _, ready = due(waiting(packet(-80), packet(-60, 20), packet(None, 30), packet(-70, 40)), NOW + timedelta(seconds=2))

    assert [(one.rssi_dbm, one.received) for one in ready] == [(-60, NOW)]


def test_different_advertisements_stay_apart() -> None:
    _, ready = due(waiting(packet(-80), packet(-60, 20, b"two")), NOW + timedelta(seconds=2))

    assert [one.payload for one in ready] == [b"one", b"two"]


def test_what_is_still_within_its_window_waits() -> None:
    left, ready = due(waiting(packet(-80), packet(-60, 900, b"two")), NOW + timedelta(seconds=1))

    assert [one.payload for one in ready] == [b"one"]
    assert [one.payload for one in left.values()] == [b"two"]


def test_a_clock_set_back_keeps_nobody_waiting() -> None:
    left, ready = due(waiting(packet(-80)), NOW - timedelta(hours=1))

    assert not left
    assert len(ready) == 1
