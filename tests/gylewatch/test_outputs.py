"""Outputs appear together at the end, or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from gylewatch.errors import InputError
from gylewatch.outputs import Outputs


def test_nothing_is_seen_before_publishing_and_all_of_it_after(tmp_path: Path) -> None:
    first, second = tmp_path / "a.csv", tmp_path / "b.jsonl"
    first.write_text("old")

    with Outputs() as outputs:
        outputs.open(first).write("new a")
        outputs.open(second).write("new b")
        before = (first.read_text(), second.exists())
        outputs.publish()

    assert before == ("old", False)
    assert (first.read_text(), second.read_text()) == ("new a", "new b")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.csv", "b.jsonl"]


def test_a_failure_leaves_the_folder_as_it_was(tmp_path: Path) -> None:
    target = tmp_path / "a.csv"

    with Outputs() as outputs:
        outputs.open(target).write("half")  # and never published, as when the replay fails

    assert list(tmp_path.iterdir()) == []


def test_of_what_lies_beside_the_target_only_what_was_left_over_from_it_is_cleared_away(tmp_path: Path) -> None:
    others = [".b.csv.0123abcd.part", ".a.csv.part", "a.csv.0123abcd.part", ".a.csv.mine.part"]
    for name in (".a.csv.0123abcd.part", *others):
        (tmp_path / name).write_text("half")
    (tmp_path / ".a.csv.00000000.part").symlink_to(tmp_path / ".b.csv.0123abcd.part")
    (tmp_path / ".a.csv.11111111.part").mkdir()
    os.mkfifo(tmp_path / ".a.csv.22222222.part")

    with Outputs() as outputs:
        outputs.open(tmp_path / "a.csv").write("whole")
        outputs.publish()

    left = {path.name for path in tmp_path.iterdir()}
    foreign = {f".a.csv.{digit * 8}.part" for digit in "012"}
    assert left == {"a.csv", *others, *foreign}


def test_two_that_write_to_one_target_leave_each_other_alone(tmp_path: Path) -> None:
    target = tmp_path / "a.csv"

    with Outputs() as first, Outputs() as second:
        first.open(target).write("first")
        second.open(target).write("second")
        first.publish()
        second.publish()

    assert target.read_text() == "second"
    assert list(tmp_path.iterdir()) == [target]


def test_a_link_is_followed_and_kept(tmp_path: Path) -> None:
    (tmp_path / "real.csv").write_text("old")
    (tmp_path / "link.csv").symlink_to(tmp_path / "real.csv")

    with Outputs() as outputs:
        outputs.open(tmp_path / "link.csv").write("new")
        outputs.publish()

    assert (tmp_path / "link.csv").is_symlink()
    assert (tmp_path / "real.csv").read_text() == "new"


def test_a_device_can_be_a_target() -> None:
    with Outputs() as outputs:
        outputs.open(Path("/dev/null")).write("gone")
        outputs.publish()


@pytest.mark.parametrize(("target", "reason"), [("missing/a.csv", "no such file"), (".", "is a folder")])
def test_a_place_that_cannot_be_written_to_is_named(tmp_path: Path, target: str, reason: str) -> None:
    with Outputs() as outputs, pytest.raises(InputError, match=reason):
        outputs.open(tmp_path / target)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only Linux has a device that is always full")
def test_a_device_that_takes_nothing_leaves_no_file_beside_it(tmp_path: Path) -> None:
    with Outputs() as outputs:
        outputs.open(tmp_path / "a.csv").write("whole")
        outputs.open(Path("/dev/full")).write("too much")
        with pytest.raises(InputError, match="/dev/full: cannot be written"):
            outputs.publish()

    assert list(tmp_path.iterdir()) == []
