from __future__ import annotations

import shutil
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy

from alerts.alert import Kind
from gylewatch.errors import StorageError
from storage.database import Database
from storage.migrate import MIGRATIONS, upgrade
from storage.store import Store
from tests.storage.examples import (
    alert,
    at,
    batch,
    estimate,
    float_record,
    reading,
    vessel_record,
    without_strength_intervals,
)

NEXT = """
import sqlalchemy as sa
from alembic import op

revision = "later"
down_revision = "0010_strength_intervals"


def upgrade() -> None:
    with op.batch_alter_table("floats") as table:
        table.add_column(sa.Column("shape", sa.Text(), nullable=False, server_default="round"))
        table.alter_column("note", existing_type=sa.Text(), nullable=True)
"""
INTERVALS = ("apparent_attenuation_low", "apparent_attenuation_high", "abv_low_percent", "abv_high_percent")
FAILS = NEXT + '    raise RuntimeError("half way")\n'


LOSES_A_FLOAT = NEXT + '    op.execute("DELETE FROM floats")\n'


def migrations_with(folder: Path, script: str) -> Path:
    """A later program's migrations: ours and one more."""
    shutil.copytree(MIGRATIONS, folder, ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "versions" / "later.py").write_text(script)
    return folder


def upgrade_with(url: str, migrations: Path) -> None:
    database = Database(url, lock_timeout_s=5)
    try:
        upgrade(database, create=False, migrations=migrations)
    finally:
        database.close()


def test_opening_again_finds_what_was_saved(store_url: str) -> None:
    with Store.open(store_url) as store:
        store.add_float(float_record("heron"))
        store.append_readings([reading(0)])

    with Store.open(store_url, create=False) as store:
        assert store.readings(reading(0).float_id) == (reading(0),)


def test_a_later_migration_keeps_the_rows_and_what_points_to_them(store_url: str, tmp_path: Path) -> None:
    with Store.open(store_url) as store:
        store.add_float(float_record("heron"))
        store.append_readings([reading(0), reading(1)])

    upgrade_with(store_url, migrations_with(tmp_path / "later", NEXT))

    with pytest.raises(StorageError, match="newer gylewatch"):
        Store.open(store_url)
    database = Database(store_url, lock_timeout_s=5)
    with database.reading() as connection:
        assert connection.exec_driver_sql("SELECT float_id, shape FROM floats").all() == [("heron", "round")]
        assert connection.exec_driver_sql("SELECT count(*) FROM readings").scalar() == 2
    database.close()


def test_a_migration_that_fails_leaves_the_database_as_it_was(store_url: str, tmp_path: Path) -> None:
    with Store.open(store_url) as store:
        store.add_float(float_record("heron", note="tall"))

    with pytest.raises(RuntimeError, match="half way"):
        upgrade_with(store_url, migrations_with(tmp_path / "later", FAILS))

    with Store.open(store_url) as store:
        assert store.floats() == (float_record("heron", note="tall"),)


def test_a_migration_that_breaks_what_points_to_a_row_is_undone(store_url: str, tmp_path: Path) -> None:
    with Store.open(store_url) as store:
        store.add_float(float_record("heron"))
        store.append_readings([reading(0)])

    with pytest.raises(StorageError, match="foreign key"):
        upgrade_with(store_url, migrations_with(tmp_path / "later", LOSES_A_FLOAT))

    with Store.open(store_url) as store:
        assert store.float_ids() == {"heron"}


def test_a_database_of_a_newer_program_is_refused_in_one_line(store_url: str, tmp_path: Path) -> None:
    Store.open(store_url).close()
    upgrade_with(store_url, migrations_with(tmp_path / "later", NEXT))

    with pytest.raises(StorageError, match=r"newer gylewatch \(schema later\); install that version") as refusal:
        Store.open(store_url)

    assert "\n" not in str(refusal.value)
    assert not refusal.value.retry


def test_another_programs_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "accounts.db"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE invoices (id INTEGER)")
    other.commit()

    with pytest.raises(StorageError, match=r"not gylewatch's \(invoices\)"):
        Store.open(f"sqlite:///{path}")

    assert other.execute("SELECT name FROM sqlite_master").fetchall() == [("invoices",)]
    other.close()


def test_an_empty_database_is_not_filled_unless_asked(store_url: str, tmp_path: Path) -> None:
    if store_url.startswith("sqlite"):
        (tmp_path / "gylewatch.db").touch()

    with pytest.raises(StorageError, match="is empty; create its tables with: gylewatch init"):
        Store.open(store_url, create=False)


def as_before_the_last_word_counted(url: str, *statements: str) -> None:
    engine = sqlalchemy.create_engine(url.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as connection:
        back = (
            "UPDATE alembic_version SET version_num = '0006_probes'",
            "ALTER TABLE batches DROP COLUMN reopened",
            "DROP TABLE removed_batches",
            *(f"ALTER TABLE estimates DROP COLUMN {name}" for name in INTERVALS),
        )
        for statement in (*back, *statements):
            connection.exec_driver_sql(statement)
    engine.dispose()


def test_what_was_snoozed_and_acknowledged_before_is_told_as_people_were_promised(store_url: str) -> None:
    soon, later = datetime.now(UTC) + timedelta(hours=8), datetime.now(UTC) + timedelta(hours=9)
    long_ago = at(60)
    kinds = (Kind.BATTERY_LOW, Kind.FLOAT_STUCK, Kind.TEMPERATURE_DRIFT, Kind.CALIBRATION_SUSPECT)
    with Store.open(store_url) as store:
        store.add_float(float_record("heron"))
        store.add_vessel(vessel_record("FV1"))
        batch_id = store.add_batch(batch(), created=at(0)).batch_id
        store.save_outcomes(batch_id, alerts=[alert(1, kind) for kind in kinds], channels=["phone"])
        for alert_id, until in ((1, soon), (2, soon), (3, soon), (4, long_ago)):
            if alert_id != 3:
                store.outbox_delivered(alert_id, at(2))
            store.snooze_alert(alert_id, until=until)
        store.outbox_held(3, until=soon, reason="it is snoozed")
    as_before_the_last_word_counted(
        store_url,
        "UPDATE outbox SET delivered = (SELECT time FROM alerts WHERE id = alert_id) WHERE told > 0",
        "UPDATE alerts SET acknowledged_at = time, acknowledged_by = 'Ada' WHERE id IN (2, 3)",
    )

    with Store.open(store_url) as store:
        now, then = store.outbox_due(soon - timedelta(hours=8), 9), store.outbox_due(later, 9)
        snoozed = {record.id: record.snoozed_until for record in store.alerts(batch_id)}

    assert [record.id for record in now] == [3]  # never told, and held by the snooze alone
    assert [record.id for record in then] == [1, 3]
    assert snoozed == {1: soon, 2: None, 3: None, 4: long_ago}


def test_estimates_from_before_attenuation_and_alcohol_had_an_interval_keep_none(store_url: str) -> None:
    with Store.open(store_url) as store:
        store.add_float(float_record("heron"))
        store.add_vessel(vessel_record("FV1"))
        batch_id = store.add_batch(batch(), created=at(0)).batch_id
        store.save_outcomes(batch_id, estimates=[estimate(15)])
    as_before_the_last_word_counted(store_url)

    with Store.open(store_url) as store:
        store.save_outcomes(batch_id, estimates=[estimate(30)])
        old, new = store.estimates(batch_id)

    assert old == without_strength_intervals(estimate(15))
    assert new == estimate(30) != without_strength_intervals(estimate(30))
