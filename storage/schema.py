"""The tables. Migrations in `storage.migrations` must agree with them; a test compares the two on both databases."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    DateTime,
    Double,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Text,
    UniqueConstraint,
)
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import TypeDecorator

NOT_RESOLVING = ""
"""`alerts.resolves` of an alert that is raised: NULLs are all different to a unique constraint, this is not."""


class UtcDateTime(TypeDecorator[datetime]):
    """An aware time, kept in UTC to the microsecond on every database; a naive one is refused."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a stored time must know its zone, got {value.isoformat()}")
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class CleanText(TypeDecorator[str]):
    """Text that every database takes. What a radio sends may hold NUL or half a surrogate, which they refuse."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:
        if value is None:
            return None
        return value.replace("\x00", "\ufffd").encode("utf-8", "replace").decode("utf-8")


RowId = BigInteger().with_variant(Integer, "sqlite")
"""Counts up in order of commit. Only INTEGER counts up by itself in SQLite."""

# Without it SQLite gives a pruned row's id to the next row, and a reader whose cursor is past it would miss the row.
_NEVER_REUSE_IDS = {"sqlite_autoincrement": True}


class Base(DeclarativeBase):
    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {datetime: UtcDateTime, str: CleanText, float: Double, bytes: LargeBinary}  # noqa: RUF012  read by SQLAlchemy


class FloatRow(Base):
    __tablename__ = "floats"

    float_id: Mapped[str] = mapped_column(primary_key=True)
    address: Mapped[str | None] = mapped_column(unique=True)
    note: Mapped[str]
    created: Mapped[datetime]
    advert_counter: Mapped[int | None] = mapped_column(BigInteger)  # of its last encrypted advertisement; 32 bit


class HeardFloatRow(Base):
    """Unknown floats; bounded by the store, because anybody can send names."""

    __tablename__ = "heard_floats"

    name: Mapped[str] = mapped_column(primary_key=True)
    source: Mapped[str]
    first_heard: Mapped[datetime]
    last_heard: Mapped[datetime]
    packets: Mapped[int]
    rssi_dbm: Mapped[int | None]
    last_values: Mapped[Any] = mapped_column(JSON)
    ignored: Mapped[bool]


class VesselRow(Base):
    __tablename__ = "vessels"

    vessel_id: Mapped[str] = mapped_column(primary_key=True)
    volume_l: Mapped[float | None]
    note: Mapped[str]
    created: Mapped[datetime]


class CurveRow(Base):
    """Versions of a float's calibration; never changed, never deleted."""

    __tablename__ = "curves"

    float_id: Mapped[str] = mapped_column(ForeignKey("floats.float_id"), primary_key=True)
    version: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    created: Mapped[datetime]
    who: Mapped[str]
    note: Mapped[str]
    curve: Mapped[Any] = mapped_column(JSON)
    reference_points: Mapped[Any] = mapped_column(JSON)


class CalibrationRow(Base):
    """A calibration in progress, as `calibration.session` writes it."""

    __tablename__ = "calibrations"

    float_id: Mapped[str] = mapped_column(ForeignKey("floats.float_id"), primary_key=True)
    session: Mapped[Any] = mapped_column(JSON)


class BatchRow(Base):
    """`document` holds the whole batch; the columns beside it repeat what is searched by."""

    __tablename__ = "batches"
    __table_args__ = (
        ForeignKeyConstraint(["float_id", "curve_version"], ["curves.float_id", "curves.version"]),
        Index(None, "float_id"),
    )

    batch_id: Mapped[str] = mapped_column(primary_key=True)
    float_id: Mapped[str] = mapped_column(ForeignKey("floats.float_id"))
    vessel_id: Mapped[str] = mapped_column(ForeignKey("vessels.vessel_id"))
    pitched: Mapped[datetime]
    ended: Mapped[datetime | None]
    reopened: Mapped[datetime | None]  # the last time that its end was taken back
    created: Mapped[datetime]
    curve_version: Mapped[int | None]
    document: Mapped[Any] = mapped_column(JSON)


class RemovedBatchRow(Base):
    """No foreign key: the batch is there no more, or another one of its name is."""

    __tablename__ = "removed_batches"

    batch_id: Mapped[str] = mapped_column(primary_key=True)


class SampleRow(Base):
    __tablename__ = "samples"
    __table_args__ = (Index(None, "batch_id", "id"), _NEVER_REUSE_IDS)

    id: Mapped[int] = mapped_column(RowId, primary_key=True)
    batch_id: Mapped[str] = mapped_column(ForeignKey("batches.batch_id"))
    time: Mapped[datetime]
    instrument: Mapped[str]
    value: Mapped[float]
    unit: Mapped[str]
    sample_temperature_c: Mapped[float]
    withdrawn: Mapped[datetime | None]  # set: mistyped; kept, but nothing is concluded from it
    withdrawn_by: Mapped[str | None]


class ReadingRow(Base):
    """`id` is the order of arrival, `time` the order of measurement."""

    __tablename__ = "readings"
    __table_args__ = (UniqueConstraint("float_id", "time"), Index(None, "float_id", "id"), _NEVER_REUSE_IDS)

    id: Mapped[int] = mapped_column(RowId, primary_key=True)
    float_id: Mapped[str] = mapped_column(ForeignKey("floats.float_id"))
    time: Mapped[datetime]
    angle_deg: Mapped[float]
    temperature_c: Mapped[float]
    battery_v: Mapped[float | None]
    battery_percent: Mapped[float | None]
    rssi_dbm: Mapped[int | None]
    acceleration_g: Mapped[float | None]


class ProbeReadingRow(Base):
    """`vessel_id` is where the probe sat when it measured; no foreign key, the configuration may name it first."""

    __tablename__ = "probe_readings"
    __table_args__ = (
        UniqueConstraint("probe", "time"),
        Index(None, "vessel_id", "id"),
        Index(None, "vessel_id", "time"),
        _NEVER_REUSE_IDS,
    )

    id: Mapped[int] = mapped_column(RowId, primary_key=True)
    vessel_id: Mapped[str]
    probe: Mapped[str]
    time: Mapped[datetime]
    temperature_c: Mapped[float]


class RejectedRow(Base):
    """The newest refused packets; how many there ever were is in `rejected_counts`."""

    __tablename__ = "rejected"
    __table_args__ = (_NEVER_REUSE_IDS,)

    id: Mapped[int] = mapped_column(RowId, primary_key=True)
    received: Mapped[datetime]
    source: Mapped[str]
    origin: Mapped[str]
    float_id: Mapped[str | None]  # no foreign key: the float may be unknown, that may be the reason
    reason: Mapped[str]
    detail: Mapped[str]
    payload: Mapped[bytes]


class RejectedCountRow(Base):
    __tablename__ = "rejected_counts"

    reason: Mapped[str] = mapped_column(primary_key=True)
    count: Mapped[int] = mapped_column(BigInteger)


class EstimateRow(Base):
    """Columns are the fields of `Estimate`; those of its forecast begin with ``forecast_``, empty without one."""

    __tablename__ = "estimates"

    batch_id: Mapped[str] = mapped_column(ForeignKey("batches.batch_id"), primary_key=True)
    time: Mapped[datetime] = mapped_column(primary_key=True)
    gravity_sg: Mapped[float]
    gravity_low_sg: Mapped[float]
    gravity_high_sg: Mapped[float]
    rate_points_per_day: Mapped[float]
    rate_low_points_per_day: Mapped[float]
    rate_high_points_per_day: Mapped[float]
    original_gravity_sg: Mapped[float]
    apparent_attenuation: Mapped[float]
    real_attenuation: Mapped[float]
    abv_percent: Mapped[float]
    temperature_c: Mapped[float]
    phase: Mapped[str]
    probability_started: Mapped[float]
    probability_still: Mapped[float]
    probability_attenuated: Mapped[float]
    bias_points: Mapped[float]
    noise_points: Mapped[float]
    misfit_sigma: Mapped[float]
    forecast_final_gravity_sg: Mapped[float | None]
    forecast_final_gravity_low_sg: Mapped[float | None]
    forecast_final_gravity_high_sg: Mapped[float | None]
    forecast_finish_time: Mapped[datetime | None]
    forecast_finish_low: Mapped[datetime | None]
    forecast_finish_high: Mapped[datetime | None]
    apparent_attenuation_low: Mapped[float | None]  # these four: empty in rows from before there were any
    apparent_attenuation_high: Mapped[float | None]
    abv_low_percent: Mapped[float | None]
    abv_high_percent: Mapped[float | None]


class AlertRow(Base):
    __tablename__ = "alerts"
    __table_args__ = (UniqueConstraint("batch_id", "kind", "cause", "time", "resolves"), _NEVER_REUSE_IDS)

    id: Mapped[int] = mapped_column(RowId, primary_key=True)
    batch_id: Mapped[str] = mapped_column(ForeignKey("batches.batch_id"))
    time: Mapped[datetime]
    kind: Mapped[str]
    cause: Mapped[str]  # empty for a kind that tells of one thing only
    resolves: Mapped[str]  # NOT_RESOLVING or the kind that ended
    severity: Mapped[str]
    summary: Mapped[str]
    evidence: Mapped[Any] = mapped_column(JSON)
    acknowledged_at: Mapped[datetime | None]
    acknowledged_by: Mapped[str | None]
    snoozed_until: Mapped[datetime | None]


class NoticeRow(Base):
    """What was told about the service itself, its outages and the daily summaries."""

    __tablename__ = "notices"
    __table_args__ = (UniqueConstraint("cause", "time", "ends"), _NEVER_REUSE_IDS)

    id: Mapped[int] = mapped_column(RowId, primary_key=True)
    time: Mapped[datetime]
    cause: Mapped[str]
    ends: Mapped[bool]
    severity: Mapped[str]
    title: Mapped[str]
    text: Mapped[str]


class OutboxRow(Base):
    """One alert, or one notice, over one channel. Waiting while both `delivered` and `given_up` are empty.

    `told` counts how often the channel took it: a message that is to be repeated waits again, and one that was left
    out is delivered with nothing told.
    """

    __tablename__ = "outbox"
    __table_args__ = (
        UniqueConstraint("alert_id", "channel"),
        UniqueConstraint("notice_id", "channel"),
        Index(None, "delivered", "given_up"),
        _NEVER_REUSE_IDS,
    )

    id: Mapped[int] = mapped_column(RowId, primary_key=True)
    alert_id: Mapped[int | None] = mapped_column(ForeignKey("alerts.id"))
    notice_id: Mapped[int | None] = mapped_column(ForeignKey("notices.id"))
    told: Mapped[int]
    channel: Mapped[str]
    attempts: Mapped[int]
    due: Mapped[datetime | None]  # None: at once. The data's clock may run apart from the wall's
    delivered: Mapped[datetime | None]
    given_up: Mapped[bool]
    reason: Mapped[str]


class BatchStateRow(Base):
    """What the pipeline carries from event to event, as opaque bytes, and how far it has read."""

    __tablename__ = "batch_states"

    batch_id: Mapped[str] = mapped_column(ForeignKey("batches.batch_id"), primary_key=True)
    state: Mapped[bytes]
    reading_cursor: Mapped[int] = mapped_column(BigInteger)
    sample_cursor: Mapped[int] = mapped_column(BigInteger)
    probe_cursor: Mapped[int] = mapped_column(BigInteger)
