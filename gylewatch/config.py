"""The configuration: one TOML file, read once, to frozen settings. Nothing else reads it.

Each part gets its own section. A message names file, key, value and what is allowed; an unknown key is an error.
Secrets stand in a file of their own or in the environment. Files that are named are looked for beside the
configuration, so that the service may be started from anywhere.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any, Final, Literal, TypeVar, cast

from alerts.settings import AlertSettings, alert_settings
from collector.admit import Limits
from collector.clock import ClockRule
from collector.decode import Decoding
from collector.mapping import JsonMapping, Place
from collector.mqtt_settings import MqttSettings, TlsSettings
from collector.probe import Probe
from collector.tilt import Axis
from collector.topics import DEFAULT_PREFIX, readings_topic
from gylewatch.config_ble import BleSection, read_ble
from gylewatch.config_notify import ChannelSettings, read_channel
from gylewatch.config_places import database_url, read_folder, read_host, read_names, read_path
from gylewatch.errors import ConfigError, InputError, MachineError, is_machines
from gylewatch.instruments_table import read_instruments
from gylewatch.logs import FORMATS, LEVELS, LogSettings
from gylewatch.naming import HERE, Naming
from gylewatch.toml_table import Table, TableError, read_toml
from gylewatch.values import HandSettings, VesselId
from web.settings import HttpSettings

__all__ = ["ChannelSettings", "Settings", "read_settings"]

_Part = TypeVar("_Part")

_MAPPED: Final = ("temperature", "angle", "ax", "ay", "az", "battery", "charge", "rssi", "time")


@dataclass(frozen=True, slots=True, kw_only=True)
class FloatSettings:
    """The section ``[floats]``: what holds for every float."""

    long_axis: Axis = Axis.Z  # the usual mounting: the sensor's z axis along the tube
    limits: Limits = field(default_factory=Limits)
    clock: ClockRule = field(default_factory=ClockRule)  # when this machine's own clock is believed


@dataclass(frozen=True, slots=True, kw_only=True)
class RetentionSettings:
    """The section ``[retention]``."""

    readings_days: int | None = None  # None: kept for good. A year of one float at 15 minutes is about 3 MB.
    estimates_days: int | None = None  # after the end of a batch, then one an hour; None: each is kept for good


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupSettings:
    """The section ``[backup]``; SQLite only."""

    folder: Path
    keep: int = 7  # a week: a fault that is noticed at the weekend can be undone


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything the service can be told."""

    database_url: str = field(repr=False)  # it may hold a password
    brokers: tuple[MqttSettings, ...] = ()
    ble: BleSection | None = None  # None: no radio is used
    http: HttpSettings = field(default_factory=HttpSettings)
    floats: FloatSettings = FloatSettings()
    alerts: AlertSettings = field(default_factory=AlertSettings)
    channels: tuple[ChannelSettings, ...] = ()
    retention: RetentionSettings = RetentionSettings()
    backup: BackupSettings | None = None
    log: LogSettings = field(default_factory=LogSettings)
    instruments: HandSettings = field(default_factory=HandSettings)  # of batches that are added from now on

    def decodings(self) -> dict[str, Decoding]:
        """What topics and payloads mean, by the broker's name: the same topic may mean something else on another."""
        return {
            broker.name: Decoding(
                prefix=broker.prefix,
                mappings=broker.mappings,
                probes=broker.probes,
                long_axis=self.floats.long_axis,
            )
            for broker in self.brokers
        }

    def naming(self) -> Naming:
        """Where floats send their names, and which of them, and which vessels, are named here."""
        mappings = [mapping for broker in self.brokers for mapping in broker.mappings]
        places = [f"on the topic {readings_topic(HERE, broker.prefix)}" for broker in self.brokers]
        places += [_place_of_name(mapping) for mapping in mappings if _fixed_name(mapping) is None]
        if self.http.token is not None:
            places.append(f"posted to /api/v1/readings?float={HERE}")
        fixed = (_fixed_name(mapping) for mapping in mappings)
        by_radio = self.ble.floats if self.ble else ()
        return Naming(
            places=tuple(dict.fromkeys(places)),
            floats={name: "[[mqtt.mapping]]" for name in fixed if name is not None}
            | {each.name: "[[ble.float]]" for each in by_radio},
            vessels={probe.vessel: "[[mqtt.probe]]" for broker in self.brokers for probe in broker.probes},
        )


def _fixed_name(mapping: JsonMapping) -> str | None:
    """The float whose name stands in the mapping itself; None: the name comes with each message."""
    if mapping.float_level is None:
        return mapping.float_name
    level = dict(enumerate(mapping.topic.split("/"))).get(mapping.float_level, "#")
    return None if level in ("+", "#") else level


def _place_of_name(mapping: JsonMapping) -> str:
    """Where a message of the user's own JSON names its float."""
    if mapping.float_level is None:
        return f"{HERE} at {mapping.float_pointer} of what comes on {mapping.topic}"
    levels = mapping.topic.removesuffix("/#").split("/")
    levels += ["..."] * (mapping.float_level - len(levels) + 1)
    levels[mapping.float_level] = HERE
    return f"on the topic {'/'.join(levels)}{'/...' if mapping.topic.endswith('#') else ''}"


def read_settings(path: Path, environment: Mapping[str, str] = os.environ) -> Settings:
    """Read a configuration file.

    Parameters
    ----------
    path : of the TOML file
    environment : where secrets named by ``*_env`` keys are looked up

    Raises
    ------
    ConfigError
        The file is missing or malformed, a key is unknown, or a value is missing or out of range.
    MachineError
        The disk does not give a file now.
    """
    try:
        top = read_toml(path, remedy="write one with: gylewatch init")
        settings = _Reader(path, environment).settings(top)
        top.finish()
    except TableError as error:
        raise ConfigError(str(error)) from None
    except InputError as error:  # the alert settings bring their own place
        raise ConfigError(str(error)) from None
    return settings


class _Reader:
    def __init__(self, path: Path, environment: Mapping[str, str]) -> None:
        self._folder = path.resolve().parent
        self._environment = environment

    def settings(self, top: Table) -> Settings:
        brokers = tuple(self._broker(table) for table in top.tables("mqtt"))
        channels = tuple(read_channel(table, self._address) for table in top.tables("notify"))
        _check_unique(top, "mqtt", [broker.name for broker in brokers])
        _check_unique(top, "notify", [channel.name for channel in channels])
        _check_sessions(top, brokers)
        _check_probes(top, [probe for broker in brokers for probe in broker.probes])
        return Settings(
            database_url=self._database(top.table("database", required=True)),
            brokers=brokers,
            ble=read_ble(top.table("ble"), self._secret) if top.has("ble") else None,
            http=self._http(top.table("http")),
            floats=_floats(top.table("floats")),
            alerts=alert_settings(top.table("alerts").raw(), top.file),
            channels=channels,
            retention=_retention(top.table("retention")),
            backup=self._backup(top.table("backup")) if top.has("backup") else None,
            log=_log(top.table("log")),
            instruments=read_instruments(top.table("instruments")),
        )

    def _database(self, table: Table) -> str:
        url = self._secret(table, "url", openly=True)
        if url is None:
            raise TableError(f"{table.place('url')}: is missing; write sqlite:///FILE or postgresql://USER@HOST/NAME")
        table.finish()
        return database_url(table, url, self._folder)

    def _broker(self, table: Table) -> MqttSettings:
        values: dict[str, Any] = {
            "name": _name(table, "broker"),
            "host": read_host(table, "host", "127.0.0.1"),
            "port": table.whole("port", 1883, low=1, high=65535),
            "protocol": cast("Literal['5', '3.1.1']", table.text("protocol", "5", choices=("5", "3.1.1"))),
            "client_id": table.text("client_id", "gylewatch"),
            "username": table.optional_text("username"),
            "password": self._secret(table, "password"),
            "tls": self._tls(table),
            "prefix": table.text("prefix", DEFAULT_PREFIX),
            "mappings": tuple(_mapping(each) for each in table.tables("mapping")),
            "probes": tuple(_probe(each) for each in table.tables("probe")),
        }
        return _part(table, lambda: MqttSettings(**values))

    def _tls(self, table: Table) -> TlsSettings | None:
        names = ("ca_file", "cert_file", "key_file")
        files = {name: self._file(table, name) for name in names}
        if not table.switch("tls", False):
            for name in names:
                if files[name] is not None:
                    raise TableError(f"{table.place(name)}: is set, but tls is not; write tls = true")
            return None
        return _part(table, lambda: TlsSettings(**files), finish=False)

    def _http(self, table: Table) -> HttpSettings:
        plain = HttpSettings()
        values: dict[str, Any] = {
            "host": read_host(table, "host", plain.host),
            "port": table.whole("port", plain.port, low=0, high=65535),
            "token": self._secret(table, "token"),
            "fahrenheit": table.text("temperature_unit", "C", choices=("C", "F")) == "F",
            "names": read_names(table, "names"),
        }
        return _part(table, lambda: HttpSettings(**values))

    def _address(self, table: Table) -> str | None:
        return self._secret(table, "url", openly=True)

    def _backup(self, table: Table) -> BackupSettings:
        folder = read_folder(table, "folder", self._folder)
        keep = table.whole("keep", 7, low=1, high=1000)
        table.finish()
        return BackupSettings(folder=folder, keep=keep)

    def _file(self, table: Table, key: str) -> Path | None:
        return read_path(table, key, self._folder) if table.has(key) else None

    def _secret(self, table: Table, key: str, *, openly: bool = False) -> str | None:
        """A secret from ``KEY_file`` or ``KEY_env``; from `KEY` itself only where it need not be one."""
        ways = [name for name in (key, f"{key}_file", f"{key}_env") if table.has(name)]
        if len(ways) > 1:
            raise TableError(f"{table.place(ways[1])}: {ways[0]} says the same; keep one of them")
        if not ways:
            return None
        way = ways[0]
        if way == f"{key}_file":
            return self._secret_file(table, way, lines=openly)
        if way == f"{key}_env":
            variable = table.text(way)
            if not self._environment.get(variable):
                raise TableError(f"{table.place(way)} = {variable!r}: this environment variable is not set")
            return self._environment[variable]
        if not openly:
            # The value is not repeated: error lines end up in logs.
            raise TableError(f"{table.place(key)}: a secret must not stand here; use {key}_file or {key}_env")
        return table.text(key)

    def _secret_file(self, table: Table, key: str, *, lines: bool) -> str:
        path = read_path(table, key, self._folder)
        try:
            secret = path.read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            if isinstance(error, OSError) and is_machines(error):
                raise MachineError(f"{path}: cannot be read ({error.strerror}); check the disk") from None
            reason = getattr(error, "strerror", None) or "it is not text"
            raise table.wrong(key, f"this file cannot be read ({str(reason).lower()})") from None
        if not secret:
            raise table.wrong(key, "this file is empty")
        if len(secret.splitlines()) > 1 and not lines:
            raise table.wrong(key, "this file holds several lines; write the secret alone into it")
        return secret


def _part(table: Table, make: Callable[[], _Part], *, finish: bool = True) -> _Part:
    if finish:
        table.finish()
    try:
        return make()
    except ValueError as error:
        raise TableError(f"{table.place('').rstrip('.')}: {error}") from None


def _check_unique(top: Table, key: str, names: list[str]) -> None:
    for name in names:
        if names.count(name) > 1:
            raise TableError(f"{top.file}: [[{key}]]: two are called {name!r}; give each its own name")


def _check_sessions(top: Table, brokers: Sequence[MqttSettings]) -> None:
    sessions = [(broker.host.lower(), broker.port, broker.client_id) for broker in brokers]
    for number, session in enumerate(sessions, start=1):
        if session in sessions[: number - 1]:
            host, port, client_id = session
            raise TableError(
                f"{top.file}: mqtt[{number}].client_id: two [[mqtt]] are of {host}:{port} with the client_id "
                f"{client_id!r}, and would throw each other off; keep one, or give each its own client_id"
            )


def _name(table: Table, default: str) -> str:
    name = table.text("name", default)
    if not name.strip():
        raise table.wrong("name", "is empty; messages call it by this name")
    return name


def _mapping(table: Table) -> JsonMapping:
    values: dict[str, Any] = {
        "topic": table.text("topic"),
        "float_name": table.optional_text("float"),
        "float_level": table.whole("float_level", low=0, high=50) if table.has("float_level") else None,
        "float_pointer": table.optional_text("float_pointer"),
        "long_axis": Axis(table.text("long_axis", "z", choices=tuple(Axis))),
    }
    for key in _MAPPED:
        if key == "temperature" or table.has(key):
            values[key] = _place(table.table(key, required=True))
    return _part(table, lambda: JsonMapping(**values))


def _check_probes(top: Table, probes: list[Probe]) -> None:
    _check_unique(top, "mqtt.probe", [probe.name for probe in probes])
    vessels = [probe.vessel for probe in probes]
    for vessel in vessels:
        if vessels.count(vessel) > 1:
            raise TableError(f"{top.file}: [[mqtt.probe]]: two sit in vessel {vessel!r}; keep the one in the beer")


def _probe(table: Table) -> Probe:
    values: dict[str, Any] = {
        "name": table.text("name"),
        "vessel": VesselId(table.text("vessel")),
        "topic": table.optional_text("topic"),
    }
    for key in ("temperature", "time"):
        if table.has(key):
            values[key] = _place(table.table(key))
    return _part(table, lambda: Probe(**values))


def _place(table: Table) -> Place:
    pointer, unit = table.text("pointer"), table.text("unit")
    return _part(table, lambda: Place(pointer=pointer, unit=unit))


def _floats(table: Table) -> FloatSettings:
    plain = Limits()
    settings = FloatSettings(
        long_axis=Axis(table.text("long_axis", "z", choices=tuple(Axis))),
        limits=Limits(
            future=timedelta(
                minutes=table.number(
                    "clock_ahead_minutes", plain.future.total_seconds() / 60, low=0, high=1440, unit="minutes"
                )
            ),
            age=timedelta(days=table.number("oldest_days", plain.age.days, low=0.1, high=3650, unit="days")),
        ),
        clock=ClockRule(network_time=table.switch("wait_for_network_time", False)),
    )
    table.finish()
    return settings


def _retention(table: Table) -> RetentionSettings:
    readings, estimates = (
        table.whole(key, low=30, high=36500, unit="days") if table.has(key) else None
        for key in ("readings_days", "estimates_days")
    )
    table.finish()
    return RetentionSettings(readings_days=readings, estimates_days=estimates)


def _log(table: Table) -> LogSettings:
    settings = LogSettings(
        level=table.text("level", LogSettings().level, choices=LEVELS),
        format=table.text("format", LogSettings().format, choices=FORMATS),
    )
    table.finish()
    return settings
