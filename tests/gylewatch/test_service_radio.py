"""From a float's advertisements over the real scanner to estimates, through the whole service."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.ble_settings import BleSettings
from collector.packet import Reason
from gylewatch import cli
from gylewatch.clock import SteppedClock
from gylewatch.config import Settings
from gylewatch.config_ble import BleSection
from gylewatch.service import Service
from gylewatch.values import FloatId, Reading
from storage.store import Store
from tests.bluez import FakeBluez, PrivateBus
from tests.broker import free_port
from tests.collector.encrypted import KEY, encrypted_bthome
from tests.eventually import eventually
from tests.gylewatch.brew import PITCHED, pale_readings
from tests.gylewatch.live import BATCH, Process, furnish
from web.settings import HttpSettings

ADDRESS = "C0:FF:EE:00:00:01"
HERON = FloatId("heron")


@pytest.fixture
def bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[PrivateBus]:
    private = PrivateBus(tmp_path)
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", private.address)
    private.start()
    yield private
    private.stop()


def advert(packet_id: int, reading: Reading) -> bytes:
    """BTHome v2, plain: packet id (0x00), temperature in 0.01 °C (0x02), rotation in 0.1 degrees (0x3F)."""
    temperature = round(100 * reading.temperature_c).to_bytes(2, "little", signed=True)
    rotation = round(10 * reading.angle_deg).to_bytes(2, "little", signed=True)
    return b"\x40\x00" + bytes([packet_id % 256]) + b"\x02" + temperature + b"\x3f" + rotation


def test_advertisements_become_readings_and_estimates(tmp_path: Path, bus: PrivateBus) -> None:
    readings = pale_readings(12)
    url = furnish(tmp_path, PITCHED, address=ADDRESS)
    clock = SteppedClock(readings[0].time)
    wanted = Settings(database_url=url, ble=BleSection(settings=BleSettings()), http=HttpSettings(port=0))
    with FakeBluez(bus.address) as bluez, Store.open(url) as store:
        service = Service(wanted, clock=clock)
        service.start()
        try:
            eventually("it scans", lambda: bluez.discoveries == 1)
            for number, reading in enumerate(readings):
                clock.move_to(reading.time)
                for rssi_dbm in (-80, -61):  # one advertisement is heard several times
                    bluez.advertise(ADDRESS, advert(number, reading), rssi_dbm=rssi_dbm)
                eventually("it is stored", lambda: stored_after(store, clock) == number + 1)  # noqa: B023
            eventually("all is concluded", lambda: len(store.estimates(BATCH)) == len(readings))
            stored, refused = store.readings(HERON), store.rejected_counts()
        finally:
            service.stop()

    assert [each.angle_deg for each in stored] == pytest.approx([each.angle_deg for each in readings], abs=0.051)
    assert {each.rssi_dbm for each in stored} == {-61}
    assert refused == {}


def stored_after(store: Store, clock: SteppedClock) -> int:
    """How many readings there are, a second later: echoes are collected by the clock."""
    clock.move_to(clock.now() + timedelta(seconds=1))
    return len(store.readings(HERON))


def test_a_recording_is_refused_after_a_kill_and_a_changed_battery_has_its_command(
    tmp_path: Path, bus: PrivateBus
) -> None:
    pitched = datetime.now(UTC) - timedelta(days=1)
    url = furnish(tmp_path, pitched, address=ADDRESS)
    config = tmp_path / "gylewatch.toml"
    key_file = tmp_path / "heron-key"
    key_file.write_text(KEY.hex())
    key_file.chmod(0o600)
    config.write_text(
        f'[database]\nurl = "{url}"\n[http]\nport = {free_port()}\n[ble]\n'
        f'[[ble.float]]\nname = "heron"\nkey_file = "heron-key"\n'
    )

    def sends(bluez: FakeBluez, counter: int) -> None:
        body = bytes.fromhex("02D0073F") + (400 + counter % 100).to_bytes(2, "little")  # 20 C
        bluez.advertise(ADDRESS, encrypted_bthome(ADDRESS, body, counter))

    with FakeBluez(bus.address) as bluez, Store.open(url) as store, Process(tmp_path) as process:
        eventually("it scans", lambda: bluez.discoveries == 1)
        sends(bluez, 500)
        eventually("it is stored", lambda: len(store.readings(HERON)) == 1)
        process.end(signal.SIGKILL)
        process.start()
        eventually("it scans again", lambda: bluez.discoveries == 2)

        sends(bluez, 499)
        eventually("it is refused", lambda: store.rejected_counts() == {Reason.REPLAYED: 1})
        assert "gylewatch float forget-counter heron" in store.rejected()[0].detail
        assert len(store.readings(HERON)) == 1

        assert cli.run(["float", "forget-counter", "heron", "--config", str(config)]) == 0
        sends(bluez, 3)
        eventually("it is stored", lambda: len(store.readings(HERON)) == 2)
        assert store.floats()[0].counter == 3
        process.end(signal.SIGTERM)


def test_an_unknown_address_is_offered_with_its_values(tmp_path: Path, bus: PrivateBus) -> None:
    readings = pale_readings(1)
    url = furnish(tmp_path, PITCHED)
    clock = SteppedClock(readings[0].time)
    wanted = Settings(database_url=url, ble=BleSection(settings=BleSettings()), http=HttpSettings(port=0))
    with FakeBluez(bus.address) as bluez, Store.open(url) as store:
        service = Service(wanted, clock=clock, tick_s=0.05)
        service.start()
        try:
            eventually("it scans", lambda: bluez.discoveries == 1)
            bluez.advertise(ADDRESS, advert(1, readings[0]))
            eventually("it is offered", lambda: stored_after(store, clock) == 0 and store.heard_floats())
            (offered,) = store.heard_floats()
        finally:
            service.stop()

    assert offered.name == ADDRESS
    assert offered.values["angle_deg"] == pytest.approx(readings[0].angle_deg, abs=0.051)
