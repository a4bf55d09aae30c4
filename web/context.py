"""Context: what every route needs, given once to `create_app`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from alerts.settings import AlertSettings
from collector.packet import Packet
from gylewatch.naming import Naming
from gylewatch.values import HandSettings
from storage.store import Store
from web.health import ServiceHealth
from web.ingest import IngestResult
from web.posted import PostedPackets
from web.settings import HttpSettings
from web.trial import ChannelTrial


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    store: Store
    clock: Callable[[], datetime]
    ingest: Callable[[Packet], IngestResult] | None  # None: readings do not come over HTTP
    settings: HttpSettings
    health: Callable[[], ServiceHealth]
    alerts: AlertSettings = field(default_factory=AlertSettings)
    try_channels: Callable[[], Sequence[ChannelTrial]] | None = None  # None: there is nothing to try
    instruments: HandSettings = field(default_factory=HandSettings)  # of the samples of batches that are started
    naming: Naming = field(default_factory=Naming)  # what the configuration says about names
    posted: PostedPackets = field(default_factory=PostedPackets)
