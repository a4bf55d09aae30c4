from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.broker import Broker


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path / "broker", autosave_on_changes=True) as running:
        yield running
