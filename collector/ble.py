"""BLE: advertisements heard by a scanner become packets. Shell over bleak; connects to nothing.

Radio does not wait: when the service is too slow the oldest advertisements are dropped and counted. The scanner has a
watchdog, since bleak reports neither a restarted Bluetooth service nor a dead bus.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import structlog
from bleak import BleakScanner
from bleak.assigned_numbers import AdvertisementDataType
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakBluetoothNotAvailableError, BleakBluetoothNotAvailableReason, BleakDBusError, BleakError

from collector.advert import encode_advert
from collector.ble_settings import BleSettings
from collector.bthome import SERVICE_UUID
from collector.echo_window import EchoWindow
from collector.inbox import Delivery, Inbox
from collector.packet import Packet, Source

BUFFERED = 1000  # advertisements kept while storage is busy: 20 s of 50 floats at 1 Hz
FIRST_RETRY_S, LAST_RETRY_S = 1.0, 30.0
_TURN_S = 0.25  # how often echoes are collected and a stop is noticed
_STOP_SCANNER_S = 5.0
_BASE_UUID = "-0000-1000-8000-00805f9b34fb"  # Bluetooth Core Specification, vol. 3, part B, section 2.5.1
_NO_SIGNAL_DBM = -127  # bleak's word for "not known"

# What the scanner and the message bus under it raise: a missing socket and a dead connection are OSError or EOFError.
_FAULTS = (BleakError, OSError, EOFError, KeyError)

_log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class RadioHealth:
    """A snapshot. `problem` is one sentence that names place and remedy while not scanning, else None."""

    place: str
    scanning: bool
    since: datetime  # of the state `scanning` tells
    heard: int  # advertisements that may come from floats
    dropped: int  # the oldest, because storage was too slow
    rebuilt: int  # times the watchdog made a new scanner
    problem: str | None


def _utc_now() -> datetime:
    return datetime.now(UTC)


class BleCollector:
    """One adapter's scanner, in a thread of its own. Start and stop once.

    Parameters
    ----------
    settings : the adapter
    inbox : where packets go; its reader gets one packet for each advertisement, with the best signal
    now : the clock that stamps arrivals
    retry_s : first and longest wait before a scanner that failed is built again
    window : shared by the adapters of this machine, so that one advertisement is one packet
    """

    def __init__(
        self,
        settings: BleSettings,
        inbox: Inbox,
        *,
        now: Callable[[], datetime] = _utc_now,
        retry_s: tuple[float, float] = (FIRST_RETRY_S, LAST_RETRY_S),
        window: EchoWindow | None = None,
    ) -> None:
        self._settings = settings
        self._inbox = inbox
        self._now = now
        self._retry_s = retry_s
        self._services = {SERVICE_UUID} | {layout.service for layout in settings.layouts if layout.service is not None}
        self._companies = {layout.company for layout in settings.layouts if layout.company is not None}
        self._buffer: deque[Delivery] = deque()
        self._buffered = threading.Condition()
        self._window = window or EchoWindow()
        self._last_heard_s = 0.0
        self._stopping = threading.Event()
        self._threads: list[threading.Thread] = []
        self._scanning = False
        self._since = now()
        self._heard = self._dropped = self._rebuilt = 0
        self._problem: str | None = "the scanner has not started yet"

    @property
    def place(self) -> str:
        return self._settings.adapter or "the Bluetooth adapter"

    def start(self) -> None:
        """Scan in the background and keep trying; never fails because a radio is missing."""
        for name, run in (("ble-scan", self._scan), ("ble-forward", self._forward)):
            thread = threading.Thread(target=run, name=name, daemon=True)
            thread.start()
            self._threads.append(thread)

    def stop(self) -> None:
        """Stop scanning and end the threads."""
        self._stopping.set()
        with self._buffered:
            self._buffered.notify_all()
        for thread in self._threads:
            thread.join(_STOP_SCANNER_S + 1)

    def health(self) -> RadioHealth:
        """A snapshot; any thread."""
        return RadioHealth(
            place=self.place,
            scanning=self._scanning,
            since=self._since,
            heard=self._heard,
            dropped=self._dropped,
            rebuilt=self._rebuilt,
            problem=self._problem,
        )

    def _scan(self) -> None:
        try:
            asyncio.run(self._scan_until_stopped())
        finally:  # the traceback goes to the thread's own hook; the health must not stay green
            if not self._stopping.is_set():
                self._tell(False, f"{self.place} hears no floats because of a fault in the program; restart it")

    async def _scan_until_stopped(self) -> None:
        wait_s = self._retry_s[0]
        while not self._stopping.is_set():
            try:
                scanner = self._new_scanner()
                await scanner.start()
            except _FAULTS as fault:
                self._tell(False, radio_problem(self.place, fault))
                await self._pause(wait_s)
                wait_s = min(2 * wait_s, self._retry_s[1])
                continue
            wait_s = self._retry_s[0]
            self._tell(True, None)
            await self._listen()
            await self._end(scanner)

    def _new_scanner(self) -> BleakScanner:
        bluez: dict[str, Any] = {}
        if self._settings.adapter is not None:
            bluez["adapter"] = self._settings.adapter
        if self._settings.scanning == "passive":
            bluez["or_patterns"] = [
                *((0, AdvertisementDataType.SERVICE_DATA_UUID16, n.to_bytes(2, "little")) for n in self._services),
                *(
                    (0, AdvertisementDataType.MANUFACTURER_SPECIFIC_DATA, n.to_bytes(2, "little"))
                    for n in self._companies
                ),
            ]
        return BleakScanner(self._on_advert, scanning_mode=self._settings.scanning, bluez=bluez)  # type: ignore[arg-type]

    async def _listen(self) -> None:
        """Collect echoes until told to stop, or until nothing was heard for too long."""
        self._last_heard_s = time.monotonic()
        while not self._stopping.is_set():
            await self._pause(min(_TURN_S, self._settings.silence_s / 4))
            for packet in self._window.due(self._now()):
                self._keep(packet)
            if time.monotonic() - self._last_heard_s > self._settings.silence_s:
                self._rebuilt += 1
                _log.warning("nothing heard; building the scanner anew", place=self.place, rebuilt=self._rebuilt)
                return

    async def _end(self, scanner: BleakScanner) -> None:
        try:
            await asyncio.wait_for(scanner.stop(), _STOP_SCANNER_S)
        except (*_FAULTS, TimeoutError) as fault:  # the bus or the adapter is gone: there is nothing left to stop
            _log.info("the scanner could not be stopped in order", place=self.place, problem=str(fault))
        if self._stopping.is_set():
            self._tell(False, None)

    async def _pause(self, seconds: float) -> None:
        end_s = time.monotonic() + seconds
        while not self._stopping.is_set() and time.monotonic() < end_s:
            await asyncio.sleep(min(_TURN_S, max(0.0, end_s - time.monotonic())))

    def _on_advert(self, device: BLEDevice, advert: AdvertisementData) -> None:
        self._last_heard_s = time.monotonic()
        service = {
            number: data
            for uuid, data in advert.service_data.items()
            if (number := _short_uuid(uuid)) is not None and number in self._services
        }
        company = {number: data for number, data in advert.manufacturer_data.items() if number in self._companies}
        if not service and not company:
            return
        self._heard += 1
        packet = Packet(
            source=Source.BLE,
            origin=device.address.upper(),
            payload=encode_advert(service, company),
            received=self._now(),
            rssi_dbm=None if advert.rssi == _NO_SIGNAL_DBM else advert.rssi,
        )
        self._window.hear(packet)

    def _keep(self, packet: Packet) -> None:
        with self._buffered:
            if len(self._buffer) >= BUFFERED:
                self._buffer.popleft()
                self._dropped += 1
            self._buffer.append(Delivery(packet=packet))  # its arrival: before it waits for storage
            self._buffered.notify()

    def _forward(self) -> None:
        while not self._stopping.is_set():
            with self._buffered:
                self._buffered.wait_for(lambda: self._buffer or self._stopping.is_set())
                delivery = self._buffer.popleft() if self._buffer else None
            if delivery is not None:
                self._inbox.put(delivery, self._stopping)

    def _tell(self, scanning: bool, problem: str | None) -> None:
        if scanning != self._scanning:
            self._since = self._now()
        if problem is not None and problem != self._problem:  # one line for each state, not for each attempt
            _log.warning("bluetooth not available", problem=problem)
        elif scanning and not self._scanning:
            _log.info("listening for floats", place=self.place)
        self._scanning, self._problem = scanning, problem


def _short_uuid(uuid: str) -> int | None:
    lower = uuid.lower()
    return int(lower[4:8], 16) if lower.startswith("0000") and lower[8:] == _BASE_UUID else None


_NO_SERVICE = "the Bluetooth service does not run; start it (systemctl start bluetooth)"
_NO_PERMISSION = "no permission to use Bluetooth; add this user to the group bluetooth"
_SWITCHED_OFF = "the adapter is switched off; switch it on (bluetoothctl power on, rfkill unblock bluetooth)"
_BY_DBUS_ERROR = {
    "org.freedesktop.DBus.Error.ServiceUnknown": _NO_SERVICE,
    "org.freedesktop.DBus.Error.NameHasNoOwner": _NO_SERVICE,
    "org.freedesktop.DBus.Error.AccessDenied": _NO_PERMISSION,
    "org.bluez.Error.NotPermitted": _NO_PERMISSION,
    "org.bluez.Error.NotReady": _SWITCHED_OFF,
    "org.bluez.Error.InProgress": "another program is scanning in a way that excludes ours; end it",
}
_BY_REASON = {
    BleakBluetoothNotAvailableReason.NO_BLUETOOTH: "there is no Bluetooth adapter; plug one in",
    BleakBluetoothNotAvailableReason.POWERED_OFF: _SWITCHED_OFF,
    BleakBluetoothNotAvailableReason.NO_BLE_CENTRAL_ROLE: "the adapter knows no Bluetooth Low Energy; use a newer one",
    BleakBluetoothNotAvailableReason.DENIED_BY_SYSTEM: _NO_PERMISSION,
}


def radio_problem(place: str, fault: BaseException) -> str:
    """One sentence for a brewer: what keeps `place` from scanning and what to do."""
    if isinstance(fault, BleakBluetoothNotAvailableError):
        remedy = _BY_REASON.get(fault.reason, str(fault))
    elif isinstance(fault, BleakDBusError):
        remedy = _BY_DBUS_ERROR.get(fault.dbus_error, f"the Bluetooth service answered {fault.dbus_error}; see its log")
    elif isinstance(fault, FileNotFoundError | ConnectionError | EOFError):
        remedy = "there is no system message bus; install and start D-Bus and the Bluetooth service (bluez)"
    elif isinstance(fault, PermissionError):
        remedy = _NO_PERMISSION
    elif "passive scanning" in str(fault):
        remedy = 'this system cannot scan passively; set scanning = "active"'
    elif "not found" in str(fault):
        remedy = "there is no such adapter; plug it in, or correct adapter"
    else:
        remedy = f"the scanner failed ({type(fault).__name__}: {fault})"
    return f"{place} hears no floats: {remedy}; trying again"
