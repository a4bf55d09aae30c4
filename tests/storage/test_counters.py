from __future__ import annotations

from dataclasses import replace

import pytest

from gylewatch.errors import NotFound
from gylewatch.values import FloatId
from storage.store import Store
from tests.storage.examples import reading, rejected

HERON, WREN = FloatId("heron"), FloatId("wren")


def counters(store: Store) -> dict[str, int | None]:
    return {record.float_id: record.counter for record in store.floats()}


def test_a_counter_is_saved_with_the_readings_it_came_with(store: Store) -> None:
    store.append_readings([reading(0)], counters={HERON: 2**32 - 1})

    assert counters(store) == {HERON: 2**32 - 1, WREN: None}


def test_a_counter_is_saved_with_what_was_refused(store: Store) -> None:
    store.append_rejected([rejected()], counters={WREN: 7})

    assert counters(store) == {HERON: None, WREN: 7}


def test_no_counter_is_saved_without_its_readings(store: Store) -> None:
    unknown = replace(reading(0), float_id=FloatId("rook"))

    with pytest.raises(NotFound):
        store.append_readings([unknown], counters={HERON: 3})

    assert counters(store) == {HERON: None, WREN: None}


def test_the_counter_of_a_float_that_was_removed_meanwhile_harms_nothing(store: Store) -> None:
    store.append_readings([reading(0)], counters={FloatId("rook"): 3, HERON: 4})

    assert counters(store) == {HERON: 4, WREN: None}


def test_a_counter_can_be_forgotten(store: Store) -> None:
    store.append_readings([reading(0)], counters={HERON: 4, WREN: 5})

    store.forget_counter(HERON)

    assert counters(store) == {HERON: None, WREN: 5}


def test_only_a_known_float_has_a_counter_to_forget(store: Store) -> None:
    with pytest.raises(NotFound, match="gylewatch float list"):
        store.forget_counter(FloatId("rook"))
