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

from dbus_fast import DBusError, PropertyAccess, Variant
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
    """The Bluetooth service with one adapter.

    Parameters
    ----------
    address : of the bus
    adapter : its name
    fault : D-Bus error that StartDiscovery answers with, e.g. ``org.bluez.Error.NotReady``
    """

    def __init__(self, address: str, *, adapter: str = "hci0", fault: str | None = None) -> None:
        self._bus_address = address
        self._path = f"/org/bluez/{adapter}"
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
    ) -> None:
        """Send one advertisement."""
        service = {} if bthome is None else {BTHOME_UUID: bthome}
        self._call(self._advertise(address, service, manufacturer or {}, rssi_dbm))

    @property
    def discoveries(self) -> int:
        """How often discovery was started."""
        return self._adapter.discoveries

    def _call(self, work: Coroutine[Any, Any, _T]) -> _T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(10)

    async def _open(self) -> None:
        self._bus = await MessageBus(bus_address=self._bus_address).connect()
        self._adapter = _Adapter(self._fault)
        self._devices: dict[str, _Device] = {}
        self._bus.export(self._path, self._adapter)
        await self._bus.request_name("org.bluez")

    async def _advertise(
        self, address: str, service: dict[str, bytes], manufacturer: dict[int, bytes], rssi_dbm: int
    ) -> None:
        device = self._devices.get(address)
        if device is None:
            device = self._devices[address] = _Device(address, self._path)
            self._bus.export(f"{self._path}/dev_{address.replace(':', '_')}", device)
            await asyncio.sleep(0)
        device.advertise(service, manufacturer, rssi_dbm)
