from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from gylewatch.values import BatchId
from storage.store import Store
from tests.web import brewery


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with brewery.open_store(tmp_path) as opened:
        yield opened


@pytest.fixture
def batch_id(store: Store) -> BatchId:
    """A batch after 118 hours, with everything a batch can have."""
    return brewery.fill(store)


@pytest.fixture
def client(store: Store) -> TestClient:
    return TestClient(brewery.application(store))
