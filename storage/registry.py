"""Floats, vessels, and floats that were heard but are not known."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, delete, func, insert, select, update
from sqlalchemy.engine import Row

from gylewatch.errors import AlreadyExists, NotFound
from gylewatch.values import FloatId, VesselId, natural_order
from storage.database import upsert
from storage.part import Part
from storage.records import AddressInUse, FloatRecord, HeardFloat, StillInUse, VesselRecord
from storage.schema import BatchRow, CalibrationRow, CurveRow, FloatRow, HeardFloatRow, ReadingRow, VesselRow
from storage.stored import finite

# Anybody near can send names; a house full of radios has some dozens of them.
KEPT_HEARD_FLOATS = 200


class Registry(Part):
    """The things a brewer names before the first batch."""

    def add_float(self, record: FloatRecord) -> None:
        """Make a float known; from now on its packets are accepted.

        Raises
        ------
        AlreadyExists
            A float of that name, or with that address, is there.
        """
        with self._database.writing() as connection:
            insert_float(connection, record)

    def floats(self) -> tuple[FloatRecord, ...]:
        """All known floats, by name in natural order."""
        with self._database.reading() as connection:
            rows = connection.execute(select(FloatRow)).all()
        return tuple(
            FloatRecord(
                float_id=FloatId(row.float_id),
                address=row.address,
                note=row.note,
                created=row.created,
                counter=row.advert_counter,
            )
            for row in sorted(rows, key=lambda row: natural_order(row.float_id))
        )

    def float_ids(self) -> frozenset[FloatId]:
        """The names of all known floats."""
        with self._database.reading() as connection:
            return frozenset(FloatId(name) for name in connection.scalars(select(FloatRow.float_id)))

    def remove_float(self, float_id: FloatId) -> None:
        """Let a float that was named by mistake be unknown again, with a calibration that was begun.

        Raises
        ------
        NotFound
            No float has that name.
        StillInUse
            A batch, readings or a curve are its own.
        """
        with self._database.writing() as connection:
            if connection.scalar(select(FloatRow.float_id).where(FloatRow.float_id == float_id)) is None:
                raise NotFound("float", float_id, "list them with: gylewatch float list")
            if batch := _batch_with(connection, BatchRow.float_id == float_id):
                raise StillInUse("float", float_id, f"the batch {batch!r} is measured with it")
            if connection.scalar(select(ReadingRow.id).where(ReadingRow.float_id == float_id).limit(1)) is not None:
                raise StillInUse("float", float_id, "it was heard, and its readings are kept")
            if connection.scalar(select(CurveRow.version).where(CurveRow.float_id == float_id).limit(1)) is not None:
                raise StillInUse("float", float_id, "it is calibrated, and its curves are kept")
            for row in (CalibrationRow, FloatRow):
                connection.execute(delete(row).where(row.float_id == float_id))

    def remove_vessel(self, vessel_id: VesselId) -> None:
        """Let a vessel that was named by mistake be unknown again.

        Raises
        ------
        NotFound
            No vessel has that name.
        StillInUse
            A batch is or was in it.
        """
        with self._database.writing() as connection:
            if connection.scalar(select(VesselRow.vessel_id).where(VesselRow.vessel_id == vessel_id)) is None:
                raise NotFound("vessel", vessel_id, "list them with: gylewatch vessel list")
            if batch := _batch_with(connection, BatchRow.vessel_id == vessel_id):
                raise StillInUse("vessel", vessel_id, f"the batch {batch!r} is or was in it")
            connection.execute(delete(VesselRow).where(VesselRow.vessel_id == vessel_id))

    def add_vessel(self, record: VesselRecord) -> None:
        """Make a vessel known.

        Raises
        ------
        AlreadyExists
            A vessel of that name is there.
        """
        with self._database.writing() as connection:
            insert_vessel(connection, record)

    def vessels(self) -> tuple[VesselRecord, ...]:
        """All vessels, by name in natural order."""
        with self._database.reading() as connection:
            rows = connection.execute(select(VesselRow)).all()
        return tuple(
            VesselRecord(vessel_id=VesselId(row.vessel_id), volume_l=row.volume_l, note=row.note, created=row.created)
            for row in sorted(rows, key=lambda row: natural_order(row.vessel_id))
        )

    def heard(
        self,
        name: str,
        *,
        source: str,
        time: datetime,
        rssi_dbm: int | None,
        packets: int = 1,
        values: Mapping[str, float | int | str | bool | None],
    ) -> None:
        """Note that an unknown float was heard; only the most recently heard ones are kept.

        Parameters
        ----------
        name : the name it sends or its radio address
        packets : how many it was heard with since this was last noted
        values : what it last sent, by field name with unit
        """
        latest = {"source": source, "last_heard": time, "rssi_dbm": rssi_dbm, "last_values": finite(values)}
        with self._database.writing() as connection:
            upsert(
                connection,
                HeardFloatRow,
                {"name": name, "first_heard": time, "packets": packets, "ignored": False, **latest},
                keys=["name"],
                change={**latest, "packets": HeardFloatRow.packets + packets},
            )
            oldest = select(HeardFloatRow.name).order_by(HeardFloatRow.last_heard.desc(), HeardFloatRow.name)
            # Ignored ones stay: forgetting them would offer them again.
            surplus = oldest.where(HeardFloatRow.ignored.is_(False)).offset(KEPT_HEARD_FLOATS).limit(KEPT_HEARD_FLOATS)
            names = connection.scalars(surplus).all()
            if names:
                connection.execute(delete(HeardFloatRow).where(HeardFloatRow.name.in_(names)))

    def heard_floats(self, *, with_ignored: bool = False) -> tuple[HeardFloat, ...]:
        """Unknown floats, the most recently heard first."""
        query = select(HeardFloatRow).order_by(HeardFloatRow.last_heard.desc(), HeardFloatRow.name)
        if not with_ignored:
            query = query.where(HeardFloatRow.ignored.is_(False))
        with self._database.reading() as connection:
            return tuple(_heard(row) for row in connection.execute(query).all())

    def ignore_heard(self, name: str, *, ignored: bool = True) -> None:
        """Offer an unknown float no longer, or again.

        Raises
        ------
        NotFound
            No unknown float of that name was heard.
        """
        change = update(HeardFloatRow).where(HeardFloatRow.name == name).values(ignored=ignored)
        with self._database.writing() as connection:
            if connection.execute(change).rowcount == 0:
                raise NotFound("unknown float", name, "only floats that were heard can be ignored")


def _batch_with(connection: Connection, condition: ColumnElement[bool]) -> str:
    """The id of the newest batch of which that holds; empty: there is none."""
    newest = select(BatchRow.batch_id).where(condition).order_by(BatchRow.pitched.desc()).limit(1)
    return connection.scalar(newest) or ""


def insert_float(connection: Connection, record: FloatRecord) -> None:
    """Make a float known within a transaction."""
    if connection.scalar(select(FloatRow.float_id).where(FloatRow.float_id == record.float_id)) is not None:
        raise AlreadyExists("float", record.float_id)
    # Older versions kept an address as it was typed; the radio knows one address, however it is written.
    same = select(FloatRow.float_id).where(func.upper(FloatRow.address) == (record.address or "").upper())
    if record.address is not None and (other := connection.scalar(same)) is not None:
        raise AddressInUse(record.address, FloatId(other))
    connection.execute(
        insert(FloatRow).values(
            float_id=record.float_id, address=record.address, note=record.note, created=record.created
        )
    )
    connection.execute(delete(HeardFloatRow).where(HeardFloatRow.name.in_((record.float_id, record.address or ""))))


def insert_vessel(connection: Connection, record: VesselRecord) -> None:
    """Make a vessel known within a transaction."""
    if connection.scalar(select(VesselRow.vessel_id).where(VesselRow.vessel_id == record.vessel_id)) is not None:
        raise AlreadyExists("vessel", record.vessel_id)
    connection.execute(
        insert(VesselRow).values(
            vessel_id=record.vessel_id, volume_l=record.volume_l, note=record.note, created=record.created
        )
    )


def _heard(row: Row[Any]) -> HeardFloat:
    return HeardFloat(
        name=row.name,
        source=row.source,
        first_heard=row.first_heard,
        last_heard=row.last_heard,
        packets=row.packets,
        rssi_dbm=row.rssi_dbm,
        values=row.last_values,
        ignored=row.ignored,
    )
