"""Every test that takes `store` or `store_url` runs on SQLite and on PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from storage.store import Store
from tests.postgres import PostgresServer, postgres_server
from tests.storage.examples import PITCHED, float_record, vessel_record

__all__ = ["postgres_server"]  # pytest finds fixtures by name in this module


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'gylewatch.db'}"
    server: PostgresServer = request.getfixturevalue("postgres_server")
    return server.new_database()


@pytest.fixture
def empty_store(store_url: str) -> Iterator[Store]:
    with Store.open(store_url) as store:
        yield store


@pytest.fixture
def store(empty_store: Store) -> Store:
    """A store that knows the floats heron and wren and the vessel FV1."""
    for name in ("heron", "wren"):
        empty_store.add_float(float_record(name))
    empty_store.add_vessel(vessel_record("FV1"))
    assert empty_store.floats()[0].created == PITCHED
    return empty_store
