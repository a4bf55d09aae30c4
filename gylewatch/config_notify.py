"""The sections ``[[notify]]`` of the configuration: where messages go, and what each channel wants to hear when."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, time, timedelta, tzinfo
from typing import Final
from zoneinfo import ZoneInfo

from alerts.alert import Severity
from alerts.delivery.policy import EVERYTHING, ChannelPolicy
from gylewatch.toml_table import Table, TableError

Secret = Callable[[Table], str | None]
"""Reads the address from the key, file or variable that the table names."""

_CLOCK: Final = re.compile(r"([01]\d|2[0-3]):([0-5]\d)")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSettings:
    """One entry ``[[notify]]``."""

    name: str
    url: str = field(repr=False)  # an Apprise address; it often holds a password
    policy: ChannelPolicy = EVERYTHING
    picture: bool = True  # of the last days, where the service takes attachments


def read_channel(table: Table, address: Secret) -> ChannelSettings:
    """Read one entry.

    Raises
    ------
    TableError
        A key is missing or unknown, or a value cannot be used.
    """
    name = table.text("name")
    if not name.strip():
        raise table.wrong("name", "is empty; messages and the log call it by this name")
    if name.startswith("mqtt:"):
        raise table.wrong("name", "mqtt: is how the brokers are called among the channels; choose another name")
    url = address(table)
    if url is None:
        raise TableError(f"{table.place('url')}: is missing; write an Apprise address, e.g. mailto://...")
    policy = _policy(table)
    picture = table.switch("picture", True)
    table.finish()
    return ChannelSettings(name=name, url=url, policy=policy, picture=picture)


def _policy(table: Table) -> ChannelPolicy:
    quiet, digest = _quiet(table), _digest(table)
    zone = _zone(table, needed_by="quiet" if quiet else "digest" if digest else None)
    remind_h = table.optional_number("remind_hours", low=0.5, high=168, unit="hours")
    try:
        return ChannelPolicy(
            least=Severity(table.text("least", Severity.INFO.value, choices=tuple(Severity))),
            zone=zone,
            quiet=quiet,
            digest=digest,
            after=timedelta(hours=table.number("after_hours", 0.0, low=0, high=168, unit="hours")),
            remind=None if remind_h is None else timedelta(hours=remind_h),
        )
    except ValueError as error:
        raise TableError(f"{table.place('quiet')}: {error}") from None


def _quiet(table: Table) -> tuple[time, time] | None:
    if not table.has("quiet"):
        return None
    texts = table.texts("quiet")
    times = [_clock(text) for text in texts]
    if len(times) != 2 or times[0] is None or times[1] is None:
        raise table.wrong("quiet", 'must be begin and end, e.g. ["22:00", "07:00"]')
    return times[0], times[1]


def _digest(table: Table) -> time | None:
    if not table.has("digest"):
        return None
    found = _clock(table.text("digest"))
    if found is None:
        raise table.wrong("digest", 'must be a time of the day, e.g. "08:00"')
    return found


def _zone(table: Table, *, needed_by: str | None) -> tzinfo:
    name = table.optional_text("time_zone")
    if name is None:
        if needed_by is not None:
            raise TableError(f'{table.place("time_zone")}: is missing; {needed_by} needs it, e.g. "Europe/Vienna"')
        return UTC
    try:
        return ZoneInfo(name)
    except (ValueError, OSError, LookupError):  # unknown names are LookupErrors; odd ones reach the file system
        raise table.wrong("time_zone", 'is no time zone that is installed here; write e.g. "Europe/Vienna"') from None


def _clock(text: str) -> time | None:
    found = _CLOCK.fullmatch(text)
    return None if found is None else time(int(found[1]), int(found[2]))
