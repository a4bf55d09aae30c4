"""The nightly upkeep: what is deleted, what is copied, and how many copies are kept."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from collector.clock import ClockRule
from collector.timekeeper import Timekeeper
from gylewatch.config import BackupSettings, RetentionSettings
from gylewatch.nightly import nightly
from gylewatch.values import FloatId
from storage.store import Store
from tests.storage.examples import at, batch, estimate, float_record, reading, vessel_record

DAY_MIN = 24 * 60.0


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(f"sqlite:///{tmp_path / 'gylewatch.db'}") as opened:
        opened.add_float(float_record("heron"))
        opened.append_readings([reading(0), reading(40 * DAY_MIN)])
        yield opened


def clock_at(minutes: float) -> Timekeeper:
    return Timekeeper(now=lambda: at(minutes), steady=None)


def test_nothing_is_deleted_or_copied_by_a_clock_that_is_not_believed(store: Store, tmp_path: Path) -> None:
    copies = tmp_path / "copies"
    doubted = Timekeeper(
        ClockRule(network_time=True), now=lambda: at(4000 * DAY_MIN), steady=None, synchronised=lambda: False
    )

    nightly(store, RetentionSettings(readings_days=30), BackupSettings(folder=copies), doubted)

    assert len(store.readings(FloatId("heron"))) == 2
    assert not copies.exists()


def test_only_readings_older_than_the_retention_are_deleted(store: Store) -> None:
    nightly(store, RetentionSettings(readings_days=30), None, clock_at(50 * DAY_MIN))

    assert store.readings(FloatId("heron")) == (reading(40 * DAY_MIN),)


@pytest.mark.parametrize(("days", "left"), [(None, 4), (35, 4), (30, 2)])
def test_estimates_are_thinned_so_many_days_after_the_end_of_their_batch(
    store: Store, days: int | None, left: int
) -> None:
    store.add_vessel(vessel_record("FV1"))
    pale = store.add_batch(batch(), created=at(0)).batch_id
    store.save_outcomes(pale, estimates=[estimate(each) for each in (30, 40, 50, 60)], state=b"state", cursor=0)
    store.end_batch(pale, at(10 * DAY_MIN))

    nightly(store, RetentionSettings(estimates_days=days), None, clock_at(41 * DAY_MIN))

    assert len(store.estimates(pale)) == left  # the first and the last of the hour


def test_a_service_that_stops_leaves_what_is_not_done_for_another_night(store: Store, tmp_path: Path) -> None:
    backup = BackupSettings(folder=tmp_path / "copies")

    nightly(store, RetentionSettings(readings_days=30), backup, clock_at(50 * DAY_MIN), rest=lambda: True)

    assert not backup.folder.exists()


def test_each_night_leaves_a_copy_that_opens_and_only_the_newest_are_kept(store: Store, tmp_path: Path) -> None:
    copies = tmp_path / "copies"
    for night in range(4):
        nightly(store, RetentionSettings(), BackupSettings(folder=copies, keep=2), clock_at(night * DAY_MIN))

    assert sorted(file.name for file in copies.iterdir()) == ["gylewatch-20260304.sqlite", "gylewatch-20260305.sqlite"]
    with Store.open(f"sqlite:///{copies / 'gylewatch-20260305.sqlite'}", create=False) as copy:
        assert len(copy.readings(FloatId("heron"))) == 2


def test_copies_dated_by_a_clock_that_was_ahead_do_not_push_out_the_new_ones(store: Store, tmp_path: Path) -> None:
    copies, backup = tmp_path / "copies", BackupSettings(folder=tmp_path / "copies", keep=2)
    for night in (900, 901, 902):
        nightly(store, RetentionSettings(), backup, clock_at(night * DAY_MIN))

    kept = []
    for night in (10, 11):
        nightly(store, RetentionSettings(), backup, clock_at(night * DAY_MIN))
        kept.append(sorted(file.name for file in copies.iterdir()))

    assert kept == [
        ["gylewatch-20260312.sqlite", "gylewatch-20280820.sqlite"],
        ["gylewatch-20260312.sqlite", "gylewatch-20260313.sqlite"],
    ]


def test_what_a_power_cut_left_of_a_copy_goes_with_the_next_one(store: Store, tmp_path: Path) -> None:
    for left in ("gylewatch-20260301.sqlite.part", "gylewatch-20260301.sqlite.part-journal", "of-somebody-else.part"):
        (tmp_path / left).touch()

    nightly(store, RetentionSettings(), BackupSettings(folder=tmp_path), clock_at(0))

    assert sorted(file.name for file in tmp_path.iterdir() if "part" in file.name) == ["of-somebody-else.part"]


def test_a_start_makes_the_copy_that_the_last_night_missed_and_no_second_one(store: Store, tmp_path: Path) -> None:
    backup = BackupSettings(folder=tmp_path / "copies")
    morning = DAY_MIN + 8 * 60.0 - at(0).hour * 60.0 - at(0).minute  # 8:00 of the next day
    kept = []

    for start in (morning, morning + 60.0, morning + 17 * 60.0, morning + 20 * 60.0):
        nightly(store, RetentionSettings(), backup, clock_at(start))
        store.append_readings([reading(start)])
        kept.append(sorted((file.name, file.stat().st_mtime_ns) for file in backup.folder.iterdir()))

    assert [name for name, _ in kept[0]] == ["gylewatch-20260303.sqlite"]
    assert kept[2] == kept[1] == kept[0], "until 3:17 of the following day"
    assert [name for name, _ in kept[3]] == ["gylewatch-20260303.sqlite", "gylewatch-20260304.sqlite"]


def test_a_copy_that_cannot_be_written_is_told_until_one_can_and_ends_nothing(store: Store, tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.touch()

    with capture_logs() as told:
        problem = nightly(store, RetentionSettings(), BackupSettings(folder=blocked), clock_at(0))
    blocked.unlink()
    after = nightly(store, RetentionSettings(), BackupSettings(folder=blocked), clock_at(DAY_MIN))

    assert [line["log_level"] for line in told] == ["error"]
    assert "the nightly copy of the database failed on 2026-03-02" in str(problem)
    assert str(blocked) in str(problem)
    assert after is None
