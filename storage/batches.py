"""Batches, which float lies in which of them, and their hand samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, delete, insert, select, update
from sqlalchemy.engine import Row

from gylewatch.errors import AlreadyExists, NotFound, StorageError
from gylewatch.values import Batch, BatchId, FloatId, Sample, VesselId, natural_order, slug
from storage.curves import current_version, require_float
from storage.database import insert_new
from storage.outcomes import forget
from storage.part import Part
from storage.records import BatchRecord, ChangedMeanwhile, FloatInUse, FloatRecord, VesselInUse, VesselRecord
from storage.registry import insert_float, insert_vessel
from storage.schema import AlertRow, BatchRow, BatchStateRow, CurveRow, OutboxRow, RemovedBatchRow, SampleRow, VesselRow
from storage.stored import batch_from_json, batch_to_json, sample_from_columns, sample_to_columns


class Batches(Part):
    """Batches from pitching to packaging."""

    def add_batch(
        self, batch: Batch, *, created: datetime, new: Sequence[FloatRecord | VesselRecord] = ()
    ) -> BatchRecord:
        """Save a new batch; it is read under the float's newest curve.

        Parameters
        ----------
        new : a float or a vessel that becomes known with it, or not at all

        Raises
        ------
        AlreadyExists
            A batch of that name is there, or another active one has the float (`FloatInUse`) or vessel (`VesselInUse`).
        NotFound
            The float or the vessel is not known.
        """
        batch_id = BatchId(slug(batch.name))
        with self._database.writing() as connection:
            if connection.scalar(select(BatchRow.batch_id).where(BatchRow.batch_id == batch_id)) is not None:
                raise AlreadyExists("batch", batch.name)
            _require_free_name(connection, batch.name, batch_id)
            _make_known(connection, new)
            _require_float_and_vessel(connection, batch)
            _require_free_float(connection, batch.float_id, batch_id)
            _require_free_vessel(connection, batch.vessel, batch_id)
            version = current_version(connection, batch.float_id)
            row = {"batch_id": batch_id, "created": created, "ended": None, "curve_version": version}
            connection.execute(insert(BatchRow).values(**row, **batch_columns(batch)))
        return BatchRecord(batch_id=batch_id, batch=batch, curve_version=version, created=created, ended=None)

    def batches(self, active_only: bool = False) -> tuple[BatchRecord, ...]:
        """All batches in order of pitching; those of one moment by name."""
        query = select(BatchRow)
        if active_only:
            query = query.where(BatchRow.ended.is_(None))
        with self._database.reading() as connection:
            rows = connection.execute(query).all()
        return tuple(
            batch_record(row) for row in sorted(rows, key=lambda row: (row.pitched, natural_order(row.batch_id)))
        )

    def batch(self, batch_id: BatchId) -> BatchRecord:
        """One batch.

        Raises
        ------
        NotFound
            No batch has that identifier.
        """
        with self._database.reading() as connection:
            return require_batch(connection, batch_id)

    def active_batch_in(self, vessel: VesselId) -> BatchRecord | None:
        """The active batch in a vessel; None: it is free."""
        return next((each for each in self.batches(active_only=True) if each.batch.vessel == vessel), None)

    def replace_batch(
        self,
        before: BatchRecord,
        batch: Batch,
        *,
        new: Sequence[FloatRecord | VesselRecord] = (),
        swap: BatchId | None = None,
    ) -> BatchRecord:
        """Save changed facts of a batch (plan, additions, vessel, float, even its name); its identifier stays.

        Another float is read under that float's newest curve.

        Parameters
        ----------
        before : the batch as it was when the change was made of it
        new : a float or a vessel that becomes known with it, or not at all
        swap : the batch that goes into the vessel which this one leaves, if it holds the one that this one goes into

        Raises
        ------
        AlreadyExists
            Another batch has the new name, or an active one the new float (`FloatInUse`) or vessel (`VesselInUse`).
        ChangedMeanwhile
            The batch is not as `before` any more.
        NotFound
            The batch, float or vessel is not known.
        """
        batch_id = before.batch_id
        with self._database.writing() as connection:
            stored = require_batch(connection, batch_id)
            if (stored.batch, stored.ended) != (before.batch, before.ended):
                raise ChangedMeanwhile(batch_id)
            if batch.name != before.batch.name:
                _require_free_name(connection, batch.name, batch_id)
            _make_known(connection, new)
            _require_float_and_vessel(connection, batch)
            moved: BatchId | None = None
            if before.ended is None:
                _require_free_float(connection, batch.float_id, batch_id)
                # Two batches that an older version let into one vessel can be changed as before.
                if batch.vessel != before.batch.vessel:
                    moved = _swapped(connection, swap, batch.vessel, before.batch.vessel)
                    _require_free_vessel(connection, batch.vessel, batch_id)
            change = batch_columns(batch)
            if batch.float_id != before.batch.float_id:
                change["curve_version"] = current_version(connection, batch.float_id)
            connection.execute(update(BatchRow).where(BatchRow.batch_id == batch_id).values(**change))
            if moved is not None:
                _require_free_vessel(connection, before.batch.vessel, moved)
            return require_batch(connection, batch_id)

    def set_batch_curve(self, batch_id: BatchId, version: int) -> BatchRecord:
        """Read a batch under another version of its float's curve.

        One that has ended loses its state with it, so that it is read again to its end.

        Raises
        ------
        NotFound
            The batch, or that version of its float's curve, is not there.
        """
        with self._database.writing() as connection:
            record = require_batch(connection, batch_id)
            float_id = record.batch.float_id
            query = select(CurveRow.version).where(CurveRow.float_id == float_id, CurveRow.version == version)
            if connection.scalar(query) is None:
                raise NotFound("curve", f"{float_id} version {version}", "list them with: gylewatch curve list")
            connection.execute(update(BatchRow).where(BatchRow.batch_id == batch_id).values(curve_version=version))
            if record.ended is not None and record.curve_version != version:
                connection.execute(delete(BatchStateRow).where(BatchStateRow.batch_id == batch_id))
            return require_batch(connection, batch_id)

    def end_batch(self, batch_id: BatchId, time: datetime) -> BatchRecord:
        """End a batch; its float is free again. Ending it once more corrects the time.

        Raises
        ------
        NotFound
            No batch has that identifier.
        StorageError
            `time` lies before the batch was pitched.
        """
        with self._database.writing() as connection:
            pitched = require_batch(connection, batch_id).batch.pitched
            if time < pitched:
                raise StorageError(
                    f"batch {batch_id!r} was pitched at {pitched.isoformat()} and cannot end before that,"
                    f" at {time.isoformat()}; give a later time",
                    retry=False,
                )
            connection.execute(update(BatchRow).where(BatchRow.batch_id == batch_id).values(ended=time))
            return require_batch(connection, batch_id)

    def remove_batch(self, batch_id: BatchId) -> None:
        """Remove a batch with its samples and all that was concluded about it; the float's readings stay.

        Raises
        ------
        NotFound
            No batch has that identifier.
        """
        with self._database.writing() as connection:
            require_batch(connection, batch_id)
            forget(connection, batch_id)
            alerts = select(AlertRow.id).where(AlertRow.batch_id == batch_id)
            connection.execute(delete(OutboxRow).where(OutboxRow.alert_id.in_(alerts)))
            for row in (AlertRow, SampleRow, BatchRow):
                connection.execute(delete(row).where(row.batch_id == batch_id))
            connection.execute(insert_new(connection, RemovedBatchRow, ["batch_id"]).values(batch_id=batch_id))

    def removed_batches(self) -> tuple[BatchId, ...]:
        """The identifiers of all batches that were ever removed; some may be in use again."""
        with self._database.reading() as connection:
            found = connection.scalars(select(RemovedBatchRow.batch_id).order_by(RemovedBatchRow.batch_id))
            return tuple(BatchId(batch_id) for batch_id in found)

    def add_sample(self, batch_id: BatchId, sample: Sample) -> int:
        """Save a hand sample and return its id; ids count up in the order in which samples are entered.

        One that stands already, in every word, is the same sample: a file that is read twice, or a form that is sent
        twice, must not count as two measurements that agree. Its id is given again.

        Raises
        ------
        NotFound
            No batch has that identifier.
        """
        with self._database.writing() as connection:
            require_batch(connection, batch_id)
            columns = sample_to_columns(sample)
            same = select(SampleRow.id).where(SampleRow.batch_id == batch_id, SampleRow.withdrawn.is_(None))
            standing = connection.scalar(same.filter_by(**columns))
            if standing is not None:
                return standing
            row = insert(SampleRow).values(batch_id=batch_id, **columns).returning(SampleRow.id)
            return connection.execute(row).scalar_one()

    def samples(self, batch_id: BatchId) -> tuple[tuple[int, Sample], ...]:
        """The hand samples of a batch that were not withdrawn, with their ids, in order of time."""
        query = _standing_samples(batch_id).order_by(SampleRow.time, SampleRow.id)
        return self._samples(query)

    def sample_after(self, batch_id: BatchId, cursor: int) -> tuple[tuple[int, Sample], ...]:
        """The samples entered after the one with id `cursor` (0: all), in the order in which they were entered."""
        return self._samples(_standing_samples(batch_id).where(SampleRow.id > cursor).order_by(SampleRow.id))

    def withdraw_sample(self, batch_id: BatchId, sample_id: int, *, who: str, time: datetime) -> None:
        """Take a sample out of everything. Its row stays, marked; an active batch is to be read again without it.

        Raises
        ------
        NotFound
            The batch has no such sample, or it is withdrawn already.
        """
        with self._database.writing() as connection:
            record = require_batch(connection, batch_id)
            standing = (SampleRow.id == sample_id, SampleRow.batch_id == batch_id, SampleRow.withdrawn.is_(None))
            if connection.scalar(select(SampleRow.id).where(*standing)) is None:
                remedy = f"list them with: gylewatch sample list {batch_id}"
                raise NotFound("sample", str(sample_id), remedy)
            marks = {"withdrawn": time, "withdrawn_by": who}
            connection.execute(update(SampleRow).where(SampleRow.id == sample_id).values(**marks))
            if record.ended is None:
                forget(connection, batch_id)

    def _samples(self, query: Any) -> tuple[tuple[int, Sample], ...]:
        with self._database.reading() as connection:
            rows = connection.execute(query).mappings().all()
        return tuple((row["id"], sample_from_columns(row)) for row in rows)


def _standing_samples(batch_id: BatchId) -> Select[Any]:
    return select(SampleRow.__table__).where(SampleRow.batch_id == batch_id, SampleRow.withdrawn.is_(None))


def batch_columns(batch: Batch) -> dict[str, Any]:
    """The columns of a batch that say what it is."""
    return {
        "float_id": batch.float_id,
        "vessel_id": batch.vessel,
        "pitched": batch.pitched,
        "document": batch_to_json(batch),
    }


def batch_record(row: Row[Any]) -> BatchRecord:
    """The batch in a row."""
    return BatchRecord(
        batch_id=BatchId(row.batch_id),
        batch=batch_from_json(row.document),
        curve_version=row.curve_version,
        created=row.created,
        ended=row.ended,
        reopened=row.reopened,
    )


def require_batch(connection: Connection, batch_id: str) -> BatchRecord:
    """A batch within a transaction, or `NotFound` with the remedy."""
    row = connection.execute(select(BatchRow).where(BatchRow.batch_id == batch_id)).one_or_none()
    if row is None:
        raise NotFound("batch", batch_id, _remedy(connection, batch_id))
    return batch_record(row)


def _remedy(connection: Connection, typed: str) -> str:
    """A batch has a name and an identifier made of it: whoever types the name, or how it begins, is told it."""
    ids = connection.scalars(select(BatchRow.batch_id)).all()
    begun = [each for each in ids if each.startswith(slug(typed))]
    meant = slug(typed) if slug(typed) in ids else begun[0] if len(begun) == 1 else None
    return f"its id is {meant!r}, if that one is meant" if meant else "list them with: gylewatch batch list"


def _make_known(connection: Connection, new: Sequence[FloatRecord | VesselRecord]) -> None:
    for record in new:
        if isinstance(record, FloatRecord):
            insert_float(connection, record)
        else:
            insert_vessel(connection, record)


def _require_float_and_vessel(connection: Connection, batch: Batch) -> None:
    require_float(connection, batch.float_id)
    if connection.scalar(select(VesselRow.vessel_id).where(VesselRow.vessel_id == batch.vessel)) is None:
        raise NotFound("vessel", batch.vessel, "add it first with: gylewatch vessel add")


def _require_free_name(connection: Connection, name: str, batch_id: BatchId) -> None:
    """Names may change, identifiers do not: two beers of one name could not be told apart in what is told of them."""
    for row in connection.execute(select(BatchRow).where(BatchRow.batch_id != batch_id)):
        if slug(batch_record(row).batch.name) == slug(name):
            raise AlreadyExists("batch", name)


def _require_free_float(connection: Connection, float_id: FloatId, batch_id: BatchId) -> None:
    if (
        other := other_batch(connection, batch_id, BatchRow.float_id == float_id, BatchRow.ended.is_(None))
    ) is not None:
        raise FloatInUse(float_id, other.batch.name)


def _require_free_vessel(connection: Connection, vessel_id: VesselId, batch_id: BatchId) -> None:
    if (
        other := other_batch(connection, batch_id, BatchRow.vessel_id == vessel_id, BatchRow.ended.is_(None))
    ) is not None:
        raise VesselInUse(vessel_id, other.batch.name)


def _swapped(connection: Connection, batch_id: BatchId | None, vessel: VesselId, other: VesselId) -> BatchId | None:
    """Move an active batch from `vessel` into `other`; gives it again, or None: it is not there (any more)."""
    there = (BatchRow.batch_id == batch_id, BatchRow.vessel_id == vessel, BatchRow.ended.is_(None))
    row = connection.execute(select(BatchRow).where(*there)).one_or_none()
    if row is None:
        return None
    columns = batch_columns(replace(batch_record(row).batch, vessel=other))
    connection.execute(update(BatchRow).where(*there).values(**columns))
    return batch_id


def other_batch(connection: Connection, batch_id: BatchId, *conditions: ColumnElement[bool]) -> BatchRecord | None:
    """The batch pitched first of those that meet the conditions, beside this one."""
    query = select(BatchRow).where(BatchRow.batch_id != batch_id, *conditions)
    row = connection.execute(query.order_by(BatchRow.pitched)).first()
    return batch_record(row) if row is not None else None
