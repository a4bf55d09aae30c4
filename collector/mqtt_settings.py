"""What the user sets about one broker. Values only; importing this loads no client library."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from collector.mapping import JsonMapping
from collector.probe import Probe
from collector.topics import DEFAULT_PREFIX, covers, filter_problem, float_of_topic


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
        if self.username == "":
            raise ValueError("username is empty; leave it out where the broker asks for none")
        if self.password is not None and self.username is None:
            raise ValueError("a password needs a username beside it")
        self._check_topics()

    def _check_topics(self) -> None:
        if any(character in self.prefix for character in "+#") or self.prefix.strip("/") != self.prefix:
            raise ValueError(f"prefix {self.prefix!r} must be topic levels without +, # and outer slashes")
        if not self.prefix:
            raise ValueError(f"prefix is empty; leave it out for {DEFAULT_PREFIX}")
        if self.prefix.startswith("$"):
            raise ValueError(f"prefix {self.prefix[:80]!r} begins with $, which brokers keep to themselves")
        if filter_problem(self.prefix):
            raise ValueError(f"prefix {self.prefix[:80]!r} is too long for a topic; leave it out for {DEFAULT_PREFIX}")
        for number, mapping in enumerate(self.mappings):
            topic = mapping.topic
            if float_of_topic(topic, self.prefix) is not None:
                raise ValueError(
                    f"a mapping is of the topic {topic[:80]!r}, which is read as SenML; let floats with JSON of their "
                    "own publish on another topic"
                )
            if earlier := [each.topic for each in self.mappings[:number] if covers(each.topic, topic)]:
                raise ValueError(
                    f"a mapping of the topic {topic[:80]!r} comes behind one of {earlier[0][:80]!r}, and is never "
                    "used; put it first, or keep one of them"
                )

    @property
    def place(self) -> str:
        """Host and port, for messages."""
        return f"{self.host}:{self.port}"
