"""A vessel holds one beer at a time, at the terminal too; and two who change a batch at once undo nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from gylewatch.batch_file import read_batch
from gylewatch.values import Batch, FloatId
from tests.gylewatch.workbench import BATCH, BATCH_TOML, Terminal

IN_USE = "vessel 'FV1' holds the active batch 'Test Ale'; end that batch first or choose another vessel"


@pytest.fixture
def second(workbench: Terminal) -> Terminal:
    """A second float and vessel, and the file of a beer for the first vessel."""
    for line in ("float add wren", "vessel add FV2"):
        assert workbench.type(line).code == 0
    text = BATCH_TOML.replace("Test Ale", "Next Ale").replace("heron", "wren")
    (workbench.folder / "next.toml").write_text(text)
    (workbench.folder / "moved.toml").write_text(text.replace("FV1", "FV2"))
    return workbench


def test_a_second_beer_in_a_vessel_waits_for_the_end_of_the_first(second: Terminal) -> None:
    refused = second.type("batch add next.toml")

    assert (refused.code, refused.out) == (2, "")
    assert IN_USE in refused.err
    assert second.type(f"batch end {BATCH}").code == 0
    assert second.type("batch add next.toml").code == 0


def test_a_beer_is_not_moved_into_a_vessel_in_use_nor_one_reopened_there(second: Terminal) -> None:
    assert second.type("batch add moved.toml").code == 0

    moved = second.type("batch change next-ale next.toml")
    assert "change its vessel first; if the two change places, add --swap" in moved.err
    second.type(f"batch end {BATCH}")
    assert second.type("batch change next-ale next.toml").code == 0
    reopened = second.type(f"batch reopen {BATCH}")

    assert (moved.code, reopened.code) == (2, 2)
    assert IN_USE in moved.err
    assert "its vessel FV1 holds the active batch 'Next Ale'; end that batch first" in reopened.err


def test_two_beers_change_places(second: Terminal) -> None:
    second.type("batch add moved.toml")

    answer = second.type("batch change next-ale next.toml --swap")

    assert answer.out == f"batch {BATCH}: vessel changed to FV2\nbatch next-ale: vessel changed\n"
    with second.store() as store:
        assert {each.batch_id: each.batch.vessel for each in store.batches()} == {BATCH: "FV2", "next-ale": "FV1"}
    again = second.type("batch change next-ale next.toml --swap")
    assert again.out == "batch next-ale is as next.toml says\n"
    with second.store() as store:
        assert store.batch(BATCH).batch.vessel == "FV2"


def test_a_change_that_somebody_else_made_meanwhile_stands(
    workbench: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    def slowly(*given: object, **named: object) -> Batch:
        with workbench.store() as store:
            before = store.batch(BATCH)
            store.replace_batch(before, replace(before.batch, volume_l=19.0))
        return read_batch(*given, **named)  # type: ignore[arg-type]

    (workbench.folder / "batch.toml").write_text(BATCH_TOML.replace("21.0]", "22.0]"))
    monkeypatch.setattr("gylewatch.cli_brewery.read_batch", slowly)

    answer = workbench.type(f"batch change {BATCH} batch.toml")

    assert answer.code == 2
    assert "was changed or ended by someone else at the same moment, and nothing was saved" in answer.err
    with workbench.store() as store:
        kept = store.batch(BATCH).batch
    assert (kept.volume_l, kept.temperature_c, kept.float_id) == (19.0, (18.0, 21.0), FloatId("heron"))
