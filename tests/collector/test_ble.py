"""The real scanner against a stand-in for the Bluetooth service on a private message bus."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from collector.advert import encode_advert
from collector.ble import BleCollector
from collector.ble_settings import BleSettings
from collector.echo_window import EchoWindow
from collector.inbox import Inbox
from collector.layout import AdvertLayout, LayoutField
from collector.packet import Packet, Source
from tests.bluez import FakeBluez, PrivateBus
from tests.eventually import eventually

ADDRESS = "C0:FF:EE:00:00:01"
QUICK = (0.05, 0.2)


def advert(packet_id: int) -> bytes:
    return b"\x40\x00" + bytes([packet_id]) + bytes.fromhex("02CA093FC201")  # 25.06 C, 45.0 degrees


@pytest.fixture
def bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[PrivateBus]:
    private = PrivateBus(tmp_path)
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", private.address)
    private.start()
    yield private
    private.stop()


class Ear:
    """A running collector and the packets it has given."""

    def __init__(self, collector: BleCollector, inbox: Inbox) -> None:
        self.collector = collector
        self._inbox = inbox
        self.packets: list[Packet] = []

    def scanning(self) -> bool:
        return self.collector.health().scanning

    def heard(self, count: int) -> bool:
        self.packets += [delivery.packet for delivery in self._inbox.take(100, 0.01)]
        return len(self.packets) >= count

    def problem(self) -> str:
        return self.collector.health().problem or ""


@contextmanager
def listening(settings: BleSettings | None = None) -> Iterator[Ear]:
    inbox = Inbox()
    collector = BleCollector(settings or BleSettings(), inbox, retry_s=QUICK)
    collector.start()
    try:
        yield Ear(collector, inbox)
    finally:
        collector.stop()


def test_an_advertisement_becomes_a_packet_with_address_and_signal(bus: PrivateBus) -> None:
    with FakeBluez(bus.address) as bluez, listening() as ear:
        eventually("it scans", ear.scanning)

        bluez.advertise(ADDRESS, advert(1), rssi_dbm=-71)

        eventually("a packet comes", lambda: ear.heard(1))
        (packet,) = ear.packets
        assert (packet.source, packet.origin, packet.rssi_dbm) == (Source.BLE, ADDRESS, -71)
        assert packet.payload == encode_advert({0xFCD2: advert(1)}, {})


def test_echoes_of_one_advertisement_are_one_packet_with_the_best_signal(bus: PrivateBus) -> None:
    with FakeBluez(bus.address) as bluez, listening() as ear:
        eventually("it scans", ear.scanning)

        for rssi_dbm in (-90, -62, -75):
            bluez.advertise(ADDRESS, advert(1), rssi_dbm=rssi_dbm)
        bluez.advertise(ADDRESS, advert(2), rssi_dbm=-80)

        eventually("two packets come", lambda: ear.heard(2))
        assert [packet.rssi_dbm for packet in ear.packets] == [-62, -80]


def test_two_adapters_that_hear_one_advertisement_give_one_packet_with_the_better_signal(bus: PrivateBus) -> None:
    window = EchoWindow()
    inbox = Inbox()
    with FakeBluez(bus.address, adapters=("hci0", "hci1")) as bluez:
        first, second = (
            BleCollector(BleSettings(adapter=name), inbox, retry_s=QUICK, window=window) for name in ("hci0", "hci1")
        )
        ear = Ear(first, inbox)
        first.start()
        second.start()
        try:
            eventually("both scan", lambda: bluez.discoveries == 2 and ear.scanning() and second.health().scanning)

            bluez.advertise(ADDRESS, advert(1), rssi_dbm=-85, adapter="hci0")
            bluez.advertise(ADDRESS, advert(1), rssi_dbm=-64, adapter="hci1")
            bluez.advertise(ADDRESS, advert(2), rssi_dbm=-80, adapter="hci1")

            eventually("two packets come", lambda: ear.heard(2))
        finally:
            first.stop()
            second.stop()
        assert sorted(packet.rssi_dbm or 0 for packet in ear.packets) == [-80, -64]
        assert (first.health().heard, second.health().heard) == (1, 2)


def test_a_passive_scan_hears_what_fits_its_patterns_and_starts_no_discovery(bus: PrivateBus) -> None:
    layout = AdvertLayout(
        company=0xFFFF,
        angle=LayoutField(offset=0, type="u8", unit="deg"),
        temperature=LayoutField(offset=1, type="u8", unit="Cel"),
    )
    settings = BleSettings(scanning="passive", layouts=(layout,))
    with FakeBluez(bus.address, passive=True) as bluez, listening(settings) as ear:
        eventually("its monitor is active", lambda: bluez.monitors == 1 and ear.scanning())

        bluez.advertise("C0:FF:EE:00:00:02", manufacturer={0x1234: b"x"}, rssi_dbm=-40)
        bluez.advertise(ADDRESS, advert(1), rssi_dbm=-71)
        bluez.advertise("C0:FF:EE:00:00:03", manufacturer={0xFFFF: b"\x2d\x14"}, rssi_dbm=-72)
        bluez.advertise(ADDRESS, advert(2), rssi_dbm=-73)

        eventually("three packets come", lambda: ear.heard(3))
        assert [(packet.origin, packet.rssi_dbm) for packet in ear.packets] == [
            (ADDRESS, -71),
            ("C0:FF:EE:00:00:03", -72),
            (ADDRESS, -73),
        ]
        assert bluez.discoveries == 0


def test_a_passive_scan_is_begun_anew_after_the_bluetooth_service_restarted(bus: PrivateBus) -> None:
    with listening(BleSettings(scanning="passive", silence_s=0.4)) as ear:
        with FakeBluez(bus.address, passive=True) as bluez:
            eventually("its monitor is active", lambda: bluez.monitors == 1)
        with FakeBluez(bus.address, passive=True) as again:
            eventually("its monitor is active again", lambda: again.monitors)
            again.advertise(ADDRESS, advert(1))

            eventually("a packet comes", lambda: ear.heard(1))


def test_manufacturer_data_of_a_users_layout_is_heard_and_other_data_is_not(bus: PrivateBus) -> None:
    layout = AdvertLayout(
        company=0xFFFF,
        angle=LayoutField(offset=0, type="u8", unit="deg"),
        temperature=LayoutField(offset=1, type="u8", unit="Cel"),
    )
    with FakeBluez(bus.address) as bluez, listening(BleSettings(layouts=(layout,))) as ear:
        eventually("it scans", ear.scanning)

        bluez.advertise("C0:FF:EE:00:00:02", manufacturer={0x1234: b"x"})
        bluez.advertise("C0:FF:EE:00:00:03", manufacturer={0xFFFF: b"\x2d\x14"})

        eventually("a packet comes", lambda: ear.heard(1))
        assert [packet.origin for packet in ear.packets] == ["C0:FF:EE:00:00:03"]


def test_a_restarted_bluetooth_service_is_noticed_by_the_watchdog(bus: PrivateBus) -> None:
    with listening(BleSettings(silence_s=0.4)) as ear:
        with FakeBluez(bus.address):
            eventually("it scans", ear.scanning)
        eventually("the loss is told", lambda: not ear.scanning())

        with FakeBluez(bus.address) as again:
            eventually("it scans again", lambda: again.discoveries)
            again.advertise(ADDRESS, advert(1))

            eventually("a packet comes", lambda: ear.heard(1))
            assert ear.collector.health().rebuilt >= 1


def test_a_bus_that_dies_and_returns_is_taken_up_again(bus: PrivateBus) -> None:
    with listening(BleSettings(silence_s=0.4)) as ear:
        with FakeBluez(bus.address):
            eventually("it scans", ear.scanning)
            bus.stop()
            eventually("the loss is told", lambda: not ear.scanning())
        bus.start()

        with FakeBluez(bus.address) as again:
            eventually("it scans again", lambda: again.discoveries)
            again.advertise(ADDRESS, advert(1))

            eventually("a packet comes", lambda: ear.heard(1))


def test_without_a_message_bus_the_remedy_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/nothing")

    with listening() as ear:
        eventually("it is told", lambda: "no system message bus" in ear.problem())


def test_without_the_bluetooth_service_the_remedy_is_told(bus: PrivateBus) -> None:
    with listening() as ear:
        eventually("it is told", lambda: "start it (systemctl start bluetooth)" in ear.problem())


@pytest.mark.parametrize(
    ("settings", "fault", "remedy"),
    [
        (BleSettings(adapter="hci7"), None, "hci7 hears no floats: there is no such adapter"),
        (BleSettings(scanning="passive"), None, 'set scanning = "active"'),
        (BleSettings(), "org.bluez.Error.NotReady", "switched off"),
        (BleSettings(adapter="hci0"), "org.bluez.Error.NotReady", "switched off"),
        (BleSettings(), "org.freedesktop.DBus.Error.AccessDenied", "group bluetooth"),
    ],
)
def test_what_keeps_an_adapter_from_scanning_is_told_in_one_sentence(
    bus: PrivateBus, settings: BleSettings, fault: str | None, remedy: str
) -> None:
    with FakeBluez(bus.address, fault=fault), listening(settings) as ear:
        eventually("it is told", lambda: remedy in ear.problem())

        assert "\n" not in ear.problem()


def test_an_adapter_that_is_plugged_in_later_is_taken_up(bus: PrivateBus) -> None:
    with listening() as ear:
        eventually("the lack is told", ear.problem)

        with FakeBluez(bus.address):
            eventually("it scans", ear.scanning)
            assert ear.collector.health().problem is None
