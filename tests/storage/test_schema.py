from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
import sqlalchemy
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy.dialects import sqlite

from storage.schema import Base, UtcDateTime
from storage.store import Store
from tests.storage.examples import at, float_record, reading, rejected


def test_models_and_migrations_describe_the_same_tables(store_url: str) -> None:
    Store.open(store_url).close()
    engine = sqlalchemy.create_engine(store_url.replace("postgresql:", "postgresql+psycopg:"))

    with engine.connect() as connection:
        differences = compare_metadata(MigrationContext.configure(connection), Base.metadata)
    engine.dispose()

    assert differences == []


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="must know its zone"):
        UtcDateTime().process_bind_param(datetime(2026, 3, 2), sqlite.dialect())  # noqa: DTZ001


def test_a_time_comes_back_in_utc_to_the_microsecond(empty_store: Store) -> None:
    east = datetime(2026, 7, 1, 0, 30, 0, 123457, tzinfo=timezone(timedelta(hours=2)))

    empty_store.add_float(float_record("heron"))
    empty_store.heard("wren", source="ble", time=east, rssi_dbm=None, values={})

    heard = empty_store.heard_floats()[0].last_heard
    assert heard == datetime(2026, 6, 30, 22, 30, 0, 123457, tzinfo=UTC)
    assert heard.utcoffset() == timedelta(0)


def test_times_are_ordered_as_times_even_where_one_has_no_fraction_of_a_second(store: Store) -> None:
    store.append_readings([reading(1 + 1e-7), reading(1), reading(1 - 1e-7)])

    assert [item.time for item in store.readings(reading(0).float_id)] == [at(1 - 1e-7), at(1), at(1 + 1e-7)]


def test_text_that_no_database_takes_is_kept_with_the_bad_characters_replaced(store: Store) -> None:
    store.append_rejected([rejected(detail="name 'a\x00b\ud800c' is not usable")])

    assert store.rejected()[0].detail == "name 'a\ufffdb?c' is not usable"
