"""Processor time of the collector under 1 Hz advertisements of 50 floats, from a Bluetooth stand-in on a private bus.

The stand-in runs in a process of its own, so that only the collector's time is counted.

    python -m benchmarks.ble [--floats 50] [--seconds 20]
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from collector.advert import BleDecoding, BleFloat
from collector.ble import BleCollector
from collector.ble_settings import BleSettings
from collector.inbox import Inbox
from collector.ingest import Ingest, reader
from gylewatch.values import FloatId
from storage.records import FloatRecord
from storage.store import Store
from tests.bluez import FakeBluez, PrivateBus
from tests.eventually import eventually


def addresses(floats: int) -> Sequence[str]:
    return tuple(f"C0:FF:EE:00:00:{number:02X}" for number in range(floats))


def advertise(bus_address: str, floats: int, seconds: float) -> None:
    """Every float once a second, spread evenly; each advertisement is a new measurement."""
    with FakeBluez(bus_address) as bluez:
        sys.stdin.readline()
        start_s = time.monotonic()
        for number in range(int(floats * seconds)):
            time.sleep(max(0.0, start_s + number / floats - time.monotonic()))
            packet_id = number // floats % 256
            temperature = (2000 + number % 7).to_bytes(2, "little")
            advert = b"\x40\x00" + bytes([packet_id]) + b"\x02" + temperature + b"\x3f" + (450).to_bytes(2, "little")
            bluez.advertise(addresses(floats)[number % floats], advert)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--floats", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--advertise", metavar="BUS", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.advertise:
        advertise(options.advertise, options.floats, options.seconds)
        return 0
    with tempfile.TemporaryDirectory() as folder:
        bus = PrivateBus(Path(folder)).start()
        try:
            return measure(Path(folder), bus.address, options.floats, options.seconds)
        finally:
            bus.stop()


def measure(folder: Path, bus_address: str, floats: int, seconds: float) -> int:
    os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = bus_address
    command = [sys.executable, "-m", "benchmarks.ble", "--advertise", bus_address]
    command += ["--floats", str(floats), "--seconds", str(seconds)]
    decoding = BleDecoding(floats={a: BleFloat(name=f"float{n}") for n, a in enumerate(addresses(floats))})
    with (
        closing(Store.open(f"sqlite:///{folder / 'ble.sqlite'}")) as store,
        subprocess.Popen(command, stdin=subprocess.PIPE, text=True) as air,
    ):
        for number in range(floats):
            name = FloatId(f"float{number}")
            store.add_float(FloatRecord(float_id=name, note="", address=None, created=datetime.now(UTC)))
        inbox = Inbox()
        ingest = Ingest(inbox, store, store.float_ids, read=reader(ble=lambda: decoding))
        ble = BleCollector(BleSettings(), inbox)
        ingest.start()
        ble.start()
        eventually("it scans", lambda: ble.health().scanning)
        started, started_cpu = time.monotonic(), time.process_time()
        assert air.stdin is not None
        air.stdin.write("go\n")
        air.stdin.flush()
        air.wait(seconds + 60)
        share = (time.process_time() - started_cpu) / (time.monotonic() - started)
        eventually("the last are stored", lambda: ingest.health().accepted >= int(floats * (seconds - 1)))
        ble.stop()
        ingest.stop()
        print(
            f"{floats} floats at 1 Hz for {seconds:g} s: {ble.health().heard} advertisements heard, "
            f"{ingest.health().accepted} readings stored, {ble.health().dropped} dropped; "
            f"{share:.1%} of one core (wanted <= 15 %)"
        )
    return 0 if share <= 0.15 else 1


if __name__ == "__main__":
    sys.exit(main())
