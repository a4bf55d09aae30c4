"""The MQTT topics of the contract, under a prefix the user may change. Pure."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

DEFAULT_PREFIX = "gylewatch/v1"
_LONGEST_BYTES: Final = 65_535  # MQTT 5.0, section 1.5.4


def readings_filter(prefix: str = DEFAULT_PREFIX) -> str:
    """The subscription that matches the readings of every float."""
    return f"{prefix}/readings/+"


def readings_topic(float_name: str, prefix: str = DEFAULT_PREFIX) -> str:
    return f"{prefix}/readings/{float_name}"


def temperatures_topic(probe_name: str, prefix: str = DEFAULT_PREFIX) -> str:
    """Where a vessel's own probe reports; beside the contract's topics, not among them."""
    return f"{prefix}/temperatures/{probe_name}"


def state_topic(batch_id: str, prefix: str = DEFAULT_PREFIX) -> str:
    return f"{prefix}/state/{batch_id}"


def alerts_topic(batch_id: str, prefix: str = DEFAULT_PREFIX) -> str:
    return f"{prefix}/alerts/{batch_id}"


def status_topic(prefix: str = DEFAULT_PREFIX) -> str:
    return f"{prefix}/service/status"


def notices_topic(prefix: str = DEFAULT_PREFIX) -> str:
    return f"{prefix}/service/notices"


def filter_problem(pattern: str) -> str | None:
    """Why no broker takes `pattern` as a subscription (MQTT 5.0, section 4.7.1), and the remedy; None: it is one."""
    levels = pattern.split("/")
    if not pattern:
        return "is empty; write the topic on which it publishes"
    if "\0" in pattern or len(pattern.encode()) > _LONGEST_BYTES:
        return "is no topic; write the one on which it publishes"
    if any(len(level) > 1 and ("+" in level or "#" in level) for level in levels):
        return "holds + or # within a level; they stand for whole levels: cellar/+/tilt"
    if "#" in levels[:-1]:
        return "holds # before its end; for one level in between write +"
    return None


@lru_cache(1024)  # few floats, many messages
def float_of_topic(topic: str, prefix: str = DEFAULT_PREFIX) -> str | None:
    """The float that a readings topic names; None for every other topic."""
    head = f"{prefix}/readings/"
    name = topic[len(head) :] if topic.startswith(head) else ""
    return name if name and "/" not in name else None


def matches(pattern: str, topic: str) -> bool:
    """Whether `topic` is covered by the subscription `pattern` (MQTT 5.0, section 4.7: ``+``, ``#``, ``$`` topics)."""
    wanted, levels = pattern.split("/"), topic.split("/")
    if topic.startswith("$") and wanted[0] in ("+", "#"):
        return False
    for index, level in enumerate(wanted):
        if level == "#":
            return True
        if index >= len(levels) or level not in ("+", levels[index]):
            return False
    return len(wanted) == len(levels)


def covers(pattern: str, other: str) -> bool:
    """Whether the subscription `pattern` takes every topic that the subscription `other` takes."""
    return matches(pattern, other) and (pattern.endswith("#") or not other.endswith("#"))
