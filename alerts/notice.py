"""What goes out to people and programs: an alert of a batch, or a notice about the service itself. Values only."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from alerts.alert import Alert, Severity
from alerts.conditions import VERDICT
from alerts.engine import CLOSED, REPLACED
from gylewatch.values import BatchId

DIGEST = "digest:"
"""Begins the cause of every daily summary."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One alert of one batch, on its way to a person."""

    batch_id: BatchId
    batch_name: str
    alert: Alert
    told: int = 0  # how often this channel has taken it; above 0 it is a reminder

    @property
    def ends(self) -> bool:
        return self.alert.resolves is not None

    @property
    def replaced(self) -> bool:
        """Whether this end only makes room for a graver alert."""
        return bool(self.alert.evidence.get(REPLACED))

    @property
    def has_verdict(self) -> bool:
        """Whether this end only makes room for another alert that says more, and is told by itself."""
        return self.ends and VERDICT in self.alert.evidence

    @property
    def batch_ended(self) -> bool:
        """Whether this end only says that the batch was ended, by a person."""
        return self.ends and CLOSED in self.alert.evidence

    @property
    def severity(self) -> Severity:
        return self.alert.severity

    @property
    def time(self) -> datetime:
        return self.alert.time


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceNotice:
    """Something about the service and no single batch. Identity is cause + time + ends."""

    time: datetime
    cause: str  # e.g. "broker:cellar": raised once, ended once
    severity: Severity
    title: str
    text: str
    ends: bool = False
    told: int = 0

    @property
    def replaced(self) -> bool:
        return False

    @property
    def has_verdict(self) -> bool:
        return False

    @property
    def batch_ended(self) -> bool:
        return False

    @property
    def is_digest(self) -> bool:
        return self.cause.startswith(DIGEST)


Message = Notice | ServiceNotice


def digest_cause(channel: str) -> str:
    """The cause of the daily summary on one channel."""
    return DIGEST + channel


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What has become of a message since it was put into the outbox."""

    over: bool = False  # what it tells has ended
    replaced: bool = False  # it ended because it became graver
    acknowledged: bool = False
    snoozed_until: datetime | None = None
    held: bool = False  # it was held back, and never tried


class Beginning(StrEnum):
    """What a channel did with the message whose end is to be told."""

    TOLD = "told"
    WAITING = "waiting"
    LEFT_OUT = "left-out"
    GIVEN_UP = "given-up"
