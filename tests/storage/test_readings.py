from __future__ import annotations

import dataclasses
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, create_engine, event, select

from collector.packet import Reason, Rejected
from gylewatch.errors import NotFound
from gylewatch.values import FloatId, Reading
from storage.readings import CHUNK_ROWS, KEPT_REJECTED
from storage.schema import ReadingRow
from storage.store import Store
from tests.storage.examples import PITCHED, at, float_record, reading, rejected

HERON = FloatId("heron")


def test_the_newest_readings_are_found_without_looking_at_every_other(tmp_path: Path) -> None:
    asked: list[tuple[str, Any]] = []
    file = tmp_path / "gylewatch.db"
    with Store.open(f"sqlite:///{file}") as store:
        event.listen(Engine, "before_cursor_execute", take := lambda *about: asked.append(about[2:4]))
        store.latest_readings()
        event.remove(Engine, "before_cursor_execute", take)

    queries = [about for about in asked if about[0].startswith("SELECT readings")]
    with closing(sqlite3.connect(file)) as connection:
        plan = [
            step[3] for query, values in queries for step in connection.execute(f"EXPLAIN QUERY PLAN {query}", values)
        ]

    assert any(step.startswith("SEARCH readings") for step in plan), plan
    assert not any(step.startswith("SCAN readings") for step in plan), plan


def test_a_reading_comes_back_as_it_went_in(store: Store) -> None:
    bare = Reading(time=at(1), float_id=HERON, angle_deg=1 / 3, temperature_c=-0.1)

    store.append_readings([reading(0), bare])

    assert store.readings(HERON) == (reading(0), bare)


@pytest.mark.parametrize("microsecond", [0, 1, 120_000])
def test_a_reading_is_stored_as_the_library_itself_would_store_it(store_url: str, microsecond: int) -> None:
    """The driver is given finished rows; a query that compares times must find them."""
    saved = dataclasses.replace(reading(0), time=at(0).replace(microsecond=microsecond))
    with Store.open(store_url) as store:
        store.add_float(float_record("heron"))
        store.append_readings([saved])
    engine = create_engine(store_url.replace("postgresql:", "postgresql+psycopg:"))
    same = [getattr(ReadingRow, item.name) == getattr(saved, item.name) for item in dataclasses.fields(saved)]

    with engine.connect() as connection:
        found = connection.execute(select(ReadingRow.id).where(*same)).all()

    engine.dispose()
    assert len(found) == 1


def test_a_repeat_changes_nothing_and_is_not_counted(store: Store) -> None:
    store.append_readings([reading(0, angle_deg=60.0)])

    new = store.append_readings([reading(0, angle_deg=10.0), reading(1), reading(1)])

    assert new == 1
    assert [item.angle_deg for item in store.readings(HERON)] == [60.0, 61.25]


def test_two_floats_may_report_at_the_same_moment(store: Store) -> None:
    assert store.append_readings([reading(0), reading(0, name="wren")]) == 2

    assert store.readings(FloatId("wren")) == (reading(0, name="wren"),)


def test_the_newest_reading_of_every_float_comes_in_one_answer(store: Store) -> None:
    store.append_readings([reading(9), reading(4, name="wren"), reading(3), reading(2, name="wren")])

    assert store.latest_readings() == {HERON: reading(9), FloatId("wren"): reading(4, name="wren")}


def test_a_float_that_never_reported_has_no_newest_reading(store: Store) -> None:
    store.append_readings([reading(0)])

    assert set(store.latest_readings()) == {HERON}


def test_late_readings_come_in_order_of_time_and_are_not_missed_by_a_cursor(store: Store) -> None:
    store.append_readings([reading(10)])
    ((cursor, _),) = store.readings_after(HERON, 0, 10)

    store.append_readings([reading(5), reading(7, name="wren"), reading(12)])

    assert [item.time for item in store.readings(HERON)] == [at(5), at(10), at(12)]
    assert [item.time for _, item in store.readings_after(HERON, cursor, 10)] == [at(5), at(12)]


def test_a_cursor_walks_through_everything_once_in_bounded_steps(store: Store) -> None:
    store.append_readings([reading(minutes) for minutes in range(25)])

    seen: list[Reading] = []
    cursor = 0
    while page := store.readings_after(HERON, cursor, 10):
        assert len(page) <= 10
        seen += [item for _, item in page]
        cursor = page[-1][0]

    assert seen == [reading(minutes) for minutes in range(25)]


def test_what_had_arrived_by_a_row_comes_in_order_of_time_in_bounded_steps(store: Store) -> None:
    store.append_readings([reading(0), reading(30), reading(20), reading(10), reading(15, name="wren"), reading(25)])
    until = store.last_reading_row(HERON)
    store.append_readings([reading(22)])

    first = store.readings_by_time(HERON, at(10), until_row=until, limit=2)
    rest = store.readings_by_time(HERON, at(21), until_row=until, limit=9)

    assert [item.time for item in first] == [at(10), at(20)]
    assert [item.time for item in rest] == [at(25), at(30)]


def test_a_float_that_never_reported_has_no_last_row(store: Store) -> None:
    store.append_readings([reading(0)])

    assert store.last_reading_row(FloatId("wren")) == 0


def test_a_period_includes_its_start_but_not_its_end(store: Store) -> None:
    store.append_readings([reading(minutes) for minutes in range(5)])

    times = [item.time for item in store.readings(HERON, since=at(1), until=at(3))]

    assert times == [at(1), at(2)]


def test_a_limit_keeps_the_newest_in_order_of_time(store: Store) -> None:
    store.append_readings([reading(minutes) for minutes in (3, 0, 2, 1)])

    assert [item.time for item in store.readings(HERON, limit=2)] == [at(2), at(3)]
    assert store.latest_reading(HERON) == reading(3)
    assert store.latest_reading(FloatId("wren")) is None


def test_more_readings_than_one_chunk_are_one_transaction(store: Store) -> None:
    many = [reading(minutes) for minutes in range(CHUNK_ROWS + 1)]

    with pytest.raises(NotFound, match="no float is called 'tern'"):
        store.append_readings([*many, reading(0, name="tern")])
    assert store.readings(HERON, limit=1) == ()

    assert store.append_readings(many) == CHUNK_ROWS + 1
    assert len(store.readings(HERON)) == CHUNK_ROWS + 1


def test_nothing_to_append_is_no_error(store: Store) -> None:
    assert store.append_readings([]) == 0
    store.append_rejected([])

    assert store.rejected() == ()


def test_a_refused_packet_comes_back_with_its_reason_and_payload(store: Store) -> None:
    store.append_rejected([rejected(Reason.MALFORMED), rejected(Reason.RETAINED)])

    assert store.rejected() == (rejected(Reason.RETAINED), rejected(Reason.MALFORMED))
    assert store.rejected(limit=1) == (rejected(Reason.RETAINED),)


def test_values_left_out_are_all_counted_and_the_newest_of_each_float_kept(store: Store) -> None:
    def left_out(name: str, volts: int) -> Rejected:
        return dataclasses.replace(rejected(Reason.VALUE_LEFT_OUT, detail=f"battery {volts} V"), float_id=name)

    store.append_rejected(
        [rejected(Reason.MALFORMED), left_out("heron", 70), left_out("wren", 71), left_out("heron", 72)]
    )
    store.append_rejected([left_out("heron", 73)])

    assert [item.detail for item in store.rejected()] == ["battery 73 V", "battery 71 V", "angle 180 deg is a fault"]
    assert store.rejected_counts() == {"malformed": 1, "value-left-out": 4}


def test_refused_packets_are_bounded_but_counted_for_ever(store: Store) -> None:
    store.append_rejected([rejected(Reason.MALFORMED, detail=f"no {number}") for number in range(KEPT_REJECTED + 7)])

    store.append_rejected([rejected(Reason.RETAINED), rejected(Reason.MALFORMED, detail="last")])

    kept = store.rejected(limit=10 * KEPT_REJECTED)
    assert len(kept) == KEPT_REJECTED
    assert (kept[0].detail, kept[-1].detail) == ("last", "no 9")
    assert store.rejected_counts() == {"malformed": KEPT_REJECTED + 8, "retained": 1}


def test_a_refused_packet_may_name_a_float_that_nobody_knows(store: Store) -> None:
    store.append_rejected([rejected(Reason.UNKNOWN_FLOAT)])

    assert store.rejected()[0].received == PITCHED


def test_a_better_signal_of_a_stored_reading_is_kept_and_a_worse_one_is_not(store: Store) -> None:
    store.append_readings([reading(0), reading(1)])

    store.keep_signals([dataclasses.replace(reading(0), rssi_dbm=-50), dataclasses.replace(reading(1), rssi_dbm=-90)])
    store.keep_signals([dataclasses.replace(reading(5), rssi_dbm=-50)])

    assert [each.rssi_dbm for each in store.readings(reading(0).float_id)] == [-50, -67]
