"""A stand-in for the Bluetooth service on a message bus of its own: the real scanner hears what it advertises.

Needs dbus-daemon; no radio. The stand-in runs in a thread with its own event loop. D-Bus signatures stand as
annotations, so these must not be postponed.
"""

import asyncio
import subprocess
import threading
from collections.abc import Coroutine
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from dbus_fast import DBusError, Message, MessageType, PropertyAccess, Variant
from dbus_fast.aio import MessageBus
from dbus_fast.service import ServiceInterface, dbus_method, dbus_property

from tests.broker import find_command

BTHOME_UUID = "0000fcd2-0000-1000-8000-00805f9b34fb"
_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>session</type><listen>unix:path={socket}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow user="*"/><allow own="*"/>
<allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/></policy></busconfig>
"""

_T = TypeVar("_T")


class PrivateBus:
    """A dbus-daemon on a socket of its own; `address` belongs into DBUS_SYSTEM_BUS_ADDRESS."""

    def __init__(self, directory: Path) -> None:
        self._socket = directory / "bus"
        self._config = directory / "bus.conf"
        self._config.write_text(_CONFIG.format(socket=self._socket), encoding="utf-8")
        self.address = f"unix:path={self._socket}"
        self._process: subprocess.Popen[str] | None = None

    def start(self) -> Self:
        self._socket.unlink(missing_ok=True)
        self._process = subprocess.Popen(
            [find_command("dbus-daemon"), f"--config-file={self._config}", "--nofork", "--print-address=1"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self._process.stdout is not None
        assert self._process.stdout.readline(), "dbus-daemon did not start"
        return self

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            assert self._process.stdout is not None
            self._process.stdout.close()
            self._process = None


class _Adapter(ServiceInterface):
    def __init__(self, fault: str | None) -> None:
        super().__init__("org.bluez.Adapter1")
        self.fault = fault
        self.discoveries = 0

    @dbus_method()
    def SetDiscoveryFilter(self, properties: "a{sv}") -> None:  # type: ignore[valid-type]  # noqa: F722, N802
        pass

    @dbus_method()
    def StartDiscovery(self) -> None:  # noqa: N802
        if self.fault is not None:
            raise DBusError(self.fault, "as the test wants it")
        self.discoveries += 1

    @dbus_method()
    def StopDiscovery(self) -> None:  # noqa: N802
        pass

    @dbus_property(access=PropertyAccess.READ)
    def Powered(self) -> "b":  # type: ignore[name-defined]  # noqa: F821, N802
        return self.fault != "org.bluez.Error.NotReady"

    @dbus_property(access=PropertyAccess.READ)
    def Roles(self) -> "as":  # type: ignore[valid-type]  # noqa: F722, N802
        return ["central"]


class _Monitors(ServiceInterface):
    """Passive scanning: whoever registers a monitor is asked for its patterns, and activated."""

    def __init__(self, bus: MessageBus) -> None:
        super().__init__("org.bluez.AdvertisementMonitorManager1")
        self._bus = bus
        self._asking: set[asyncio.Task[None]] = set()
        self._senders: dict[str, str] = {}
        self.patterns: dict[str, list[tuple[int, int, bytes]]] = {}  # by path, once activated
        bus.add_message_handler(self._note_sender)

    @dbus_method()
    def RegisterMonitor(self, application: "o") -> None:  # type: ignore[name-defined]  # noqa: F821, N802
        task = asyncio.get_running_loop().create_task(self._take(application))
        self._asking.add(task)
        task.add_done_callback(self._asking.discard)

    @dbus_method()
    def UnregisterMonitor(self, application: "o") -> None:  # type: ignore[name-defined]  # noqa: F821, N802
        self.patterns.pop(application, None)

    async def report(self, device: str, structures: list[tuple[int, bytes]]) -> bool:
        """Tell the monitors whose patterns fit; False when there is none, and the device stays unheard."""
        fitting = [path for path, patterns in self.patterns.items() if _fits(patterns, structures)]
        for path in fitting:
            await self._ask(path, "org.bluez.AdvertisementMonitor1", "DeviceFound", "o", [device])
        return bool(fitting)

    def _note_sender(self, message: Message) -> None:
        if message.member == "RegisterMonitor" and message.sender is not None:
            self._senders[message.body[0]] = message.sender

    async def _take(self, path: str) -> None:
        monitor = "org.bluez.AdvertisementMonitor1"
        for _ in range(500):  # the monitor may be exported only after it was registered
            reply = await self._ask(path, "org.freedesktop.DBus.Properties", "GetAll", "s", [monitor])
            if reply.message_type is MessageType.METHOD_RETURN:
                break
            await asyncio.sleep(0.01)
        properties = reply.body[0]
        if properties["Type"].value == "or_patterns":
            await self._ask(path, monitor, "Activate", "", [])
            self.patterns[path] = [(start, kind, bytes(data)) for start, kind, data in properties["Patterns"].value]

    async def _ask(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> Message:
        reply = await self._bus.call(
            Message(
                destination=self._senders[path],
                path=path,
                interface=interface,
                member=member,
                signature=signature,
                body=body,
            )
        )
        assert reply is not None
        return reply


def _fits(patterns: list[tuple[int, int, bytes]], structures: list[tuple[int, bytes]]) -> bool:
    return any(
        kind == its_kind and data[start : start + len(wanted)] == wanted
        for start, kind, wanted in patterns
        for its_kind, data in structures
    )


class _Device(ServiceInterface):
    def __init__(self, address: str, adapter: str) -> None:
        super().__init__("org.bluez.Device1")
        self._address = address
        self._adapter = adapter
        self._service_data: dict[str, Variant] = {}
        self._manufacturer_data: dict[int, Variant] = {}
        self._rssi = -60

    @dbus_property(access=PropertyAccess.READ)
    def Address(self) -> "s":  # type: ignore[name-defined]  # noqa: F821, N802
        return self._address

    @dbus_property(access=PropertyAccess.READ)
    def Alias(self) -> "s":  # type: ignore[name-defined]  # noqa: F821, N802
        return self._address

    @dbus_property(access=PropertyAccess.READ)
    def Adapter(self) -> "o":  # type: ignore[name-defined]  # noqa: F821, N802
        return self._adapter

    @dbus_property(access=PropertyAccess.READ)
    def RSSI(self) -> "n":  # type: ignore[name-defined]  # noqa: F821, N802
        return self._rssi

    @dbus_property(access=PropertyAccess.READ)
    def ServiceData(self) -> "a{sv}":  # type: ignore[valid-type]  # noqa: F722, N802
        return self._service_data

    @dbus_property(access=PropertyAccess.READ)
    def ManufacturerData(self) -> "a{qv}":  # type: ignore[valid-type]  # noqa: F722, N802
        return self._manufacturer_data

    def advertise(self, service: dict[str, bytes], manufacturer: dict[int, bytes], rssi_dbm: int) -> None:
        self._service_data = {uuid: Variant("ay", data) for uuid, data in service.items()}
        self._manufacturer_data = {number: Variant("ay", data) for number, data in manufacturer.items()}
        self._rssi = rssi_dbm
        self.emit_properties_changed(
            {"ServiceData": self._service_data, "ManufacturerData": self._manufacturer_data, "RSSI": rssi_dbm}
        )


class FakeBluez:
    """The Bluetooth service.

    Parameters
    ----------
    address : of the bus
    adapters : their names
    passive : whether it can scan passively; what fits no monitor's patterns is then heard by an active scan only
    fault : D-Bus error that StartDiscovery answers with, e.g. ``org.bluez.Error.NotReady``
    """

    def __init__(
        self, address: str, *, adapters: tuple[str, ...] = ("hci0",), passive: bool = False, fault: str | None = None
    ) -> None:
        self._bus_address = address
        self._names = adapters
        self._passive = passive
        self._fault = fault
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        self._call(self._open())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._loop.call_soon_threadsafe(self._bus.disconnect)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.close()

    def advertise(
        self,
        address: str,
        bthome: bytes | None = None,
        *,
        manufacturer: dict[int, bytes] | None = None,
        rssi_dbm: int = -60,
        adapter: str | None = None,
    ) -> None:
        """Send one advertisement, heard by `adapter` or else by the first."""
        service = {} if bthome is None else {BTHOME_UUID: bthome}
        path = f"/org/bluez/{adapter or self._names[0]}"
        self._call(self._advertise(path, address, service, manufacturer or {}, rssi_dbm))

    @property
    def discoveries(self) -> int:
        """How often discovery was started, over all adapters."""
        return sum(adapter.discoveries for adapter in self._adapters)

    @property
    def monitors(self) -> int:
        """How many monitors of passive scans are active."""
        return sum(len(each.patterns) for each in self._monitors.values())

    def _call(self, work: Coroutine[Any, Any, _T]) -> _T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(10)

    async def _open(self) -> None:
        self._bus = await MessageBus(bus_address=self._bus_address).connect()
        self._adapters = [_Adapter(self._fault) for _ in self._names]
        self._devices: dict[str, _Device] = {}
        self._monitors: dict[str, _Monitors] = {}
        for name, adapter in zip(self._names, self._adapters, strict=True):
            self._bus.export(f"/org/bluez/{name}", adapter)
            if self._passive:
                monitors = self._monitors[f"/org/bluez/{name}"] = _Monitors(self._bus)
                self._bus.export(f"/org/bluez/{name}", monitors)
        await self._bus.request_name("org.bluez")

    async def _advertise(
        self, adapter: str, address: str, service: dict[str, bytes], manufacturer: dict[int, bytes], rssi_dbm: int
    ) -> None:
        path = f"{adapter}/dev_{address.replace(':', '_')}"
        if self._monitors and not self.discoveries:
            # Structures of the Bluetooth Core Specification Supplement, part A: 0x16 service data, 0xFF manufacturer's.
            structures = [(0x16, bytes.fromhex(uuid[4:8])[::-1] + data) for uuid, data in service.items()]
            structures += [(0xFF, number.to_bytes(2, "little") + data) for number, data in manufacturer.items()]
            if not await self._monitors[adapter].report(path, structures):
                return
        device = self._devices.get(path)
        if device is None:
            device = self._devices[path] = _Device(address, adapter)
            self._bus.export(path, device)
            await asyncio.sleep(0)
        device.advertise(service, manufacturer, rssi_dbm)
