"""A service that took readings from the broker and will never commit them: run it as a process and kill it."""

from __future__ import annotations

import sys
import threading
from collections.abc import Sequence

from collector.inbox import Inbox
from collector.ingest import Ingest
from collector.mqtt import MqttCollector
from collector.mqtt_settings import MqttSettings
from collector.packet import Rejected
from gylewatch.values import FloatId, ProbeReading, Reading


class StalledSink:
    def append_readings(self, readings: Sequence[Reading], /) -> int:
        print("holding", len(readings), file=sys.stderr, flush=True)
        threading.Event().wait()
        return 0

    def append_probe_readings(self, readings: Sequence[ProbeReading], /) -> int:
        raise AssertionError(readings)

    def append_rejected(self, rejected: Sequence[Rejected], /) -> None:
        raise AssertionError(rejected)

    def keep_signals(self, readings: Sequence[Reading], /) -> None:
        raise AssertionError(readings)


def main() -> None:
    inbox = Inbox()
    MqttCollector(MqttSettings(port=int(sys.argv[1])), inbox).start()
    Ingest(inbox, StalledSink(), lambda: frozenset({FloatId("heron")})).run()


if __name__ == "__main__":
    main()
