"""What of a configuration shows only beside libraries, files and the database; `status` and the start look at it."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from gylewatch.config import Settings
from gylewatch.errors import ConfigError
from storage.store import Store

_TLS_PORT: Final = 8883  # registered for MQTT over TLS; a plain connection to it hears nothing


def refuse_unusable(config: Path, settings: Settings) -> None:
    """Look at what reading the file does not show: notification addresses and certificates.

    Raises
    ------
    ConfigError
        One cannot be used; the message names file, section and remedy, and no secret.
    """
    if settings.channels:
        from alerts.delivery.apprise_channel import why_unusable  # noqa: PLC0415  loads the library for all services

        for number, channel in enumerate(settings.channels, start=1):
            if why := why_unusable(channel.url):
                raise ConfigError(f"{config}: notify[{number}].url of {channel.name!r}: {why}")
    for number, broker in enumerate(settings.brokers, start=1):
        if broker.tls is not None:
            from collector.mqtt import tls_context  # noqa: PLC0415  loads the client

            try:
                tls_context(broker.place, broker.tls)
            except ConfigError as error:
                raise ConfigError(f"{config}: mqtt[{number}]: {error}") from None


def doubts(settings: Settings, store: Store) -> tuple[str, ...]:
    """What may be right and probably is not: one sentence each, with the remedy."""
    ports = [
        f"[[mqtt]] {broker.name}: port {_TLS_PORT} is usual with tls, which is not set; write tls = true, or "
        "port = 1883"
        for broker in settings.brokers
        if broker.port == _TLS_PORT and broker.tls is None
    ]
    copies = "[backup]: only SQLite is copied; leave it out, and have PostgreSQL copied by pg_dump"
    in_vain = [copies] if settings.backup is not None and not settings.database_url.startswith("sqlite") else []
    return (*ports, *in_vain, *unknown_names(settings, store))


def unknown_names(settings: Settings, store: Store) -> tuple[str, ...]:
    """Floats and vessels of the configuration that nobody has added: what is set for them has no effect."""
    named = settings.naming()
    probes = [probe for broker in settings.brokers for probe in broker.probes]
    if not named.floats and not probes:
        return ()
    vessels = {record.vessel_id for record in store.vessels()}
    floats = store.float_ids()
    said = [
        f"[[mqtt.probe]]: probe {probe.name} sits in vessel {probe.vessel}, which is not known; correct its name, or "
        f"add it with: gylewatch vessel add {probe.vessel}"
        for probe in probes
        if probe.vessel not in vessels
    ]
    said += [
        f"{table}: float {name} is not known; correct its name, or add it with: gylewatch float add {name}"
        + (" --address ..." if table == "[[ble.float]]" else "")
        for name, table in named.floats.items()
        if name not in floats
    ]
    return tuple(said)
