"""The section ``[ble]`` of the configuration: the adapter, the floats' keys, and layouts of advertisements."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal, cast

from collector.advert import BleDecoding, BleFloat
from collector.ble_settings import BleSettings
from collector.layout import AdvertLayout, LayoutField
from collector.tilt import Axis
from gylewatch.toml_table import Table, TableError
from gylewatch.values import check_name
from storage.records import FloatRecord

Secret = Callable[[Table, str], str | None]
"""Reads the secret of a key from the file or variable that the table names."""

_FIELDS: Final = ("temperature", "angle", "ax", "ay", "az", "battery", "charge", "packet_id")


@dataclass(frozen=True, slots=True, kw_only=True)
class BleSection:
    """What was set about Bluetooth. Which address is which float stands in the database."""

    settings: BleSettings
    floats: tuple[BleFloat, ...] = field(default=())  # those with a key or a mounting of their own
    adapters: tuple[str, ...] = ()  # where several listen at once

    def radios(self) -> tuple[BleSettings, ...]:
        """One for each adapter."""
        if not self.adapters:
            return (self.settings,)
        return tuple(replace(self.settings, adapter=adapter) for adapter in self.adapters)

    def decoding(self, records: Sequence[FloatRecord]) -> BleDecoding:
        """How advertisements are read, with the floats that are known now."""
        own = {each.name: each for each in self.floats}
        known = {
            record.address.upper(): replace(
                own.get(record.float_id, BleFloat(name=record.float_id)), counter=record.counter
            )
            for record in records
            if record.address is not None
        }
        return BleDecoding(floats=known, layouts=self.settings.layouts)


def read_ble(table: Table, secret: Secret) -> BleSection:
    """Read the section.

    Raises
    ------
    TableError
        A key is unknown, or a value cannot be used.
    """
    plain = BleSettings()
    values: dict[str, Any] = {
        "adapter": table.optional_text("adapter"),
        "scanning": cast(
            "Literal['active', 'passive']", table.text("scanning", plain.scanning, choices=("active", "passive"))
        ),
        "layouts": tuple(_layout(each) for each in table.tables("layout")),
        "silence_s": table.number("silence_s", plain.silence_s, low=10, high=86_400, unit="s"),
    }
    floats = tuple(_float(each, secret) for each in table.tables("float"))
    names = [each.name for each in floats]
    if twice := [name for name in names if names.count(name) > 1]:
        raise table.unusable("float", f"two are called {twice[0]!r}, and only the last would be used; keep one")
    _check_layouts(table, values["layouts"])
    adapters = table.texts("adapters")
    if values["adapter"] == "" or "" in adapters:
        key = "adapters" if adapters else "adapter"
        raise table.wrong(key, 'names none; write e.g. "hci0", or leave it out for the first that is switched on')
    if adapters and values["adapter"] is not None:
        raise table.wrong("adapters", "stands beside adapter; write one of the two")
    if len(set(adapters)) < len(adapters):
        raise table.wrong("adapters", "names an adapter twice")
    table.finish()
    return BleSection(settings=BleSettings(**values), floats=floats, adapters=adapters)


def _check_layouts(table: Table, layouts: Sequence[AdvertLayout]) -> None:
    for number, layout in enumerate(layouts):
        for earlier in layouts[:number]:
            same = (earlier.company, earlier.service) == (layout.company, layout.service)
            if same and layout.starts_with.startswith(earlier.starts_with):
                raise table.unusable(
                    f"layout[{number + 1}]",
                    "an earlier one takes all that begins like this, and it is never used; put it first, or keep one",
                )


def _float(table: Table, secret: Secret) -> BleFloat:
    name, axis = table.text("name"), _axis(table)
    try:
        check_name("float", name)
    except ValueError as error:
        raise table.unusable("name", str(error)) from None
    key = secret(table, "key")
    table.finish()
    try:
        return BleFloat(name=name, key=None if key is None else bytes.fromhex(key), long_axis=axis)
    except ValueError:
        # Neither the key nor the library's words about it belong into a log.
        raise TableError(f"{table.place('key')}: the key of {name!r} must have 32 hex digits") from None


def _layout(table: Table) -> AdvertLayout:
    values: dict[str, Any] = {
        "company": table.whole("company", low=0, high=0xFFFF) if table.has("company") else None,
        "service": table.whole("service", low=0, high=0xFFFF) if table.has("service") else None,
        "starts_with": _bytes(table, "starts_with"),
        "long_axis": _axis(table),
    }
    for key in _FIELDS:
        if key == "temperature" or table.has(key):
            values[key] = _field(table.table(key, required=True))
    table.finish()
    try:
        return AdvertLayout(**values)
    except ValueError as error:
        raise TableError(f"{table.place('').rstrip('.')}: {error}") from None


def _field(table: Table) -> LayoutField:
    values: dict[str, Any] = {
        "offset": table.whole("offset", low=0, high=250),
        "type": table.text("type"),
        "unit": table.text("unit", ""),
        "big_endian": table.switch("big_endian", False),
        "scale": table.number("scale", 1.0, low=-1e6, high=1e6),
        "shift": table.number("shift", 0.0, low=-1e6, high=1e6),
    }
    table.finish()
    try:
        return LayoutField(**values)
    except ValueError as error:
        raise TableError(f"{table.place('').rstrip('.')}: {error}") from None


def _axis(table: Table) -> Axis:
    return Axis(table.text("long_axis", "z", choices=tuple(Axis)))


def _bytes(table: Table, key: str) -> bytes:
    text = table.text(key, "")
    try:
        return bytes.fromhex(text)
    except ValueError:
        raise table.wrong(key, 'must be hex digits, e.g. "4c00"') from None
