"""A batch as a table of keys: whoever shows a form wants every fault at once, each with its key."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from gylewatch.batch_table import batch_of, batch_or_faults
from gylewatch.toml_table import Table, TableError
from gylewatch.values import Batch, HandSettings

PITCHED = datetime(2026, 3, 2, 18, 30, tzinfo=UTC)
GOOD: dict[str, Any] = {
    "name": "Harbour Pale",
    "volume_l": 21.0,
    "pitched": PITCHED,
    "expected_attenuation": [0.74, 0.80],
    "temperature_c": [18.0, 20.5],
    "vessel": "FV1",
    "float": "heron",
}
OWN = HandSettings(hydrometer_offset_sg=0.001)


def table(**changes: Any) -> Table:
    return Table("batch.toml", "batch", GOOD | changes)


def faults(**changes: Any) -> dict[str, str]:
    found = batch_or_faults(table(**changes), OWN)
    assert isinstance(found, tuple)
    return {fault.key: fault.reason for fault in found}


def test_a_table_without_a_fault_is_a_batch_with_the_instruments_it_does_not_state() -> None:
    found = batch_or_faults(table(), OWN)

    assert isinstance(found, Batch)
    assert found.instruments == OWN
    assert found == batch_of(table(), OWN)


def test_every_fault_is_told_with_its_key_and_without_the_value_that_the_form_shows_itself() -> None:
    step = {"from": datetime(2026, 3, 1, tzinfo=UTC), "temperature_c": [2.0, 5.0]}

    assert faults(volume_l=-3.0, vessel="FV 1", temperature_c=[68.0, 72.0], plan=[step]) == {
        "batch.volume_l": "must be 0.1 to 1000000 l",
        "batch.vessel": "vessel name 'FV 1' is not usable: 1 to 63 plain letters (a to z, A to Z), digits, '_', '.' or "
        "'-', the first a letter or digit",
        "batch.temperature_c": "must be -5 to 50 °C; is that °F? in °C it would be 20.0 to 22.2",
        "batch.plan[1].from": "lies before pitching; what is wanted from pitching on is the batch's own wanted range",
    }


def test_a_file_is_told_the_first_fault_with_its_place() -> None:
    with pytest.raises(TableError, match=r"batch\.toml: batch\.volume_l = -3\.0: must be 0\.1 to 1000000 l"):
        batch_of(table(volume_l=-3.0, vessel="FV 1"), OWN)


def test_what_is_wrong_only_as_a_whole_has_no_key() -> None:
    step = {"from": datetime(2026, 3, 9, tzinfo=UTC), "temperature_c": [2.0, 5.0]}

    assert faults(plan=[step, step]) == {
        "": "two steps of the plan begin at 2026-03-09T00:00:00Z; keep one of them",
    }
