from __future__ import annotations

import pytest

from gylewatch.errors import NotFound
from gylewatch.values import FloatId
from storage.store import Store
from tests.storage.examples import at, curve, references


def save(store: Store, name: str, minutes: float = 0) -> int:
    return store.add_curve(curve(name), references(name), who="Ada", note="sugar, 20 C", created=at(minutes))


def test_a_curve_comes_back_with_who_when_and_from_what(store: Store) -> None:
    version = save(store, "heron", 3)

    record = store.current_curve(FloatId("heron"))

    assert record is not None
    assert (record.version, record.who, record.note, record.created) == (version, "Ada", "sugar, 20 C", at(3))
    assert record.curve == curve("heron")
    assert record.references == references("heron")


def test_versions_count_for_each_float_and_nothing_is_overwritten(store: Store) -> None:
    versions = [save(store, "heron", 0), save(store, "wren", 1), save(store, "heron", 2)]

    assert versions == [1, 1, 2]
    assert [record.created for record in store.curves(FloatId("heron"))] == [at(0), at(2)]
    assert store.curve(FloatId("heron"), 1).created == at(0)


def test_a_float_without_a_curve_has_none(store: Store) -> None:
    assert store.current_curve(FloatId("heron")) is None
    assert store.curves(FloatId("heron")) == ()
    with pytest.raises(NotFound, match="heron version 1"):
        store.curve(FloatId("heron"), 1)


def test_a_curve_of_an_unknown_float_is_refused(store: Store) -> None:
    with pytest.raises(NotFound, match="no float is called 'tern'; add it first"):
        save(store, "tern")
