"""What the store returns about stored things: frozen values, never rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

from alerts.alert import Alert
from alerts.notice import Message, Standing
from gylewatch.errors import AlreadyExists, GylewatchError
from gylewatch.values import Batch, BatchId, FloatId, ProbeReading, Reference, VesselId, check_name

if TYPE_CHECKING:
    from calibration.curve import Curve


class FloatInUse(AlreadyExists):
    """The float already lies in another active batch: one float cannot measure two beers at once."""

    def __init__(self, float_id: FloatId, batch_name: str) -> None:
        super().__init__("float", float_id)
        self.batch_name = batch_name
        self.args = (
            f"float {float_id!r} is in the active batch {batch_name!r}; end that batch first or choose another float",
        )


class VesselInUse(AlreadyExists):
    """The vessel holds another active batch: a fermenter holds one beer at a time."""

    def __init__(self, vessel_id: VesselId, batch_name: str) -> None:
        super().__init__("vessel", vessel_id)
        self.batch_name = batch_name
        self.args = (
            f"vessel {vessel_id!r} holds the active batch {batch_name!r}; end that batch first or choose another "
            "vessel, and if that beer was moved, change its vessel first",
        )


class ChangedMeanwhile(GylewatchError):
    """The batch is no longer what it was when the change was made of it: to save it would undo the other change."""

    def __init__(self, batch_id: BatchId) -> None:
        super().__init__(
            f"batch {batch_id!r} was changed or ended by someone else at the same moment, and nothing was saved; look "
            "at it, and change it once more"
        )


class AddressInUse(AlreadyExists):
    """Another float has that radio address: what it advertises can be of one float only."""

    def __init__(self, address: str, float_id: FloatId) -> None:
        super().__init__("address", address)
        self.float_id = float_id
        self.args = (
            f"float {float_id} has the address {address} already; is it the same float? else correct the address",
        )


class StillInUse(GylewatchError):
    """A float or vessel cannot be removed: something that is kept belongs to it."""

    def __init__(self, what: str, name: str, why: str) -> None:
        super().__init__(f"{what} {name!r} stays: {why}; one that is not used does no harm")
        self.what = what
        self.name = name


class NotReopened(GylewatchError):
    """The batch cannot be active again, or is."""

    def __init__(self, batch_id: BatchId, why: str) -> None:
        super().__init__(f"batch {batch_id!r} is not reopened: {why}")
        self.why = why


@dataclass(frozen=True, slots=True, kw_only=True)
class FloatRecord:
    """A float that the user has named; only such floats are listened to."""

    float_id: FloatId
    created: datetime
    note: str = ""
    address: str | None = None  # radio address, where the float does not send its name
    counter: int | None = None  # of its last encrypted advertisement

    def __post_init__(self) -> None:
        check_name("float", self.float_id)


@dataclass(frozen=True, slots=True, kw_only=True)
class VesselRecord:
    """A fermenter."""

    vessel_id: VesselId
    created: datetime
    volume_l: float | None = None
    note: str = ""

    def __post_init__(self) -> None:
        check_name("vessel", self.vessel_id)


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveRecord:
    """One version of a float's calibration, with the points it was fitted to. Versions count 1, 2, 3 per float."""

    float_id: FloatId
    version: int
    created: datetime
    who: str
    note: str
    curve: Curve
    references: tuple[Reference, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchRecord:
    """A batch as stored. It is active until `ended` is set."""

    batch_id: BatchId
    batch: Batch
    curve_version: int | None  # of the batch's float; None: no curve was there yet
    created: datetime
    ended: datetime | None
    reopened: datetime | None = None  # the last time that its end was taken back


@dataclass(frozen=True, slots=True, kw_only=True)
class Footing:
    """What people may take back of a batch while conclusions are drawn: these are void when it has changed since."""

    reopened: datetime | None = None  # the last time that its end was taken back
    withdrawn: int = 0  # samples
    curve: int | None = None  # the version of the float's curve under which it is read


@dataclass(frozen=True, slots=True, kw_only=True)
class StateRecord:
    """What the pipeline carried after the last stored event of a batch."""

    state: bytes
    cursor: int  # row id of the last reading that went into the state
    sample_cursor: int  # id of the last sample that went into the state
    probe_cursor: int = 0  # id of the last reading of the vessel's own probe that did


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertRecord:
    """An alert as stored, with what people have done about it."""

    id: int
    batch_id: BatchId
    alert: Alert
    acknowledged_at: datetime | None = None
    acknowledged_by: str | None = None
    snoozed_until: datetime | None = None

    @property
    def is_seen(self) -> bool:
        """Whether a person has acknowledged it and not put it to sleep since: the last word counts."""
        return self.acknowledged_at is not None and self.snoozed_until is None


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxRecord:
    """One message that is still to go out over one channel."""

    id: int
    channel: str
    attempts: int  # failed so far
    message: Message
    standing: Standing = field(default_factory=Standing)
    reason: str = ""  # why the last attempt failed


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardFloat:
    """A float that was heard but has not been named by the user."""

    name: str  # the name it sends or its radio address
    source: str
    first_heard: datetime
    last_heard: datetime
    packets: int
    rssi_dbm: int | None
    values: Mapping[str, float | str | None] = field(default_factory=dict)  # the last ones, by field name with unit
    ignored: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeCourse:
    """What the probe of a vessel measured, thinned, in order of time, and where nothing came for hours."""

    readings: tuple[ProbeReading, ...] = ()
    gaps: tuple[tuple[datetime, datetime], ...] = ()  # from the last reading before to the first one after
