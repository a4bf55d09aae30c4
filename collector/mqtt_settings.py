"""What the user sets about one broker. Values only; importing this loads no client library."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from collector.mapping import JsonMapping
from collector.probe import Probe
from collector.topics import DEFAULT_PREFIX


@dataclass(frozen=True, slots=True, kw_only=True)
class TlsSettings:
    """An encrypted connection. The broker's certificate is always checked."""

    ca_file: Path | None = None  # None: the system's certificate authorities
    cert_file: Path | None = None  # ours, where the broker asks for one
    key_file: Path | None = None  # None: the key stands in cert_file

    def __post_init__(self) -> None:
        if self.key_file is not None and self.cert_file is None:
            raise ValueError("key_file needs cert_file beside it")


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSettings:
    """One broker. It is subscribed to the readings under `prefix` and to the topics of `mappings` and `probes`."""

    name: str = "broker"  # how messages call it where there are several
    host: str = "127.0.0.1"
    port: int = 1883
    protocol: Literal["5", "3.1.1"] = "5"
    client_id: str = "gylewatch"  # names the session that the broker keeps: one service, one id
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: TlsSettings | None = None  # None: not encrypted
    prefix: str = DEFAULT_PREFIX
    mappings: tuple[JsonMapping, ...] = ()
    probes: tuple[Probe, ...] = ()

    def __post_init__(self) -> None:
        if not self.host:
            raise ValueError("host is empty; write the name or address of the broker's machine")
        if not 1 <= self.port <= 65_535:
            raise ValueError(f"port {self.port} is outside 1 to 65535")
        if self.protocol not in ("5", "3.1.1"):
            raise ValueError(f'protocol {self.protocol!r} is not known; write "5" or "3.1.1"')
        if not self.client_id:
            raise ValueError("client_id is empty; the broker keeps unread messages under this name")
        if self.password is not None and self.username is None:
            raise ValueError("a password needs a username beside it")
        if any(character in self.prefix for character in "+#") or self.prefix.strip("/") != self.prefix:
            raise ValueError(f"prefix {self.prefix!r} must be topic levels without +, # and outer slashes")

    @property
    def place(self) -> str:
        """Host and port, for messages."""
        return f"{self.host}:{self.port}"
