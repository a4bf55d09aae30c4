"""A terminal in a brewery, for the commands of the bench and the brew day; a broker and a sink, for the service."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from gylewatch.demo_sink import Sink
from storage.store import Store
from tests.broker import Broker
from tests.gylewatch.brew import PITCHED
from tests.gylewatch.live import BATCH, Inbox, furnish
from tests.gylewatch.workbench import BATCH_TOML, REFERENCES, Terminal


@pytest.fixture(scope="session")
def made_workbench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a float, a vessel, a curve and a batch, made once: a new database takes half a second."""
    folder = tmp_path_factory.mktemp("workbench")
    (folder / "references.csv").write_text(REFERENCES)
    (folder / "batch.toml").write_text(BATCH_TOML)
    terminal = Terminal(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.delenv("GYLEWATCH_CONFIG", raising=False)
        for line in (
            "init",
            "float add heron",
            "vessel add FV1",
            "curve add references.csv --who Ada",
            "batch add batch.toml",
        ):
            done = terminal.type(line)
            assert done.code == 0, f"{line}: {done.err}"
    return folder


@pytest.fixture
def bare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Terminal:
    """A terminal in an empty folder."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("GYLEWATCH_CONFIG", raising=False)
    return Terminal(tmp_path)


@pytest.fixture
def workbench(made_workbench: Path, bare: Terminal) -> Terminal:
    """A terminal in a brewery of its own."""
    shutil.copytree(made_workbench, bare.folder, dirs_exist_ok=True)
    return bare


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path / "broker", autosave_on_changes=True) as running:
        yield running


@pytest.fixture
def inbox() -> Inbox:
    return Inbox()


@pytest.fixture
def sink(inbox: Inbox) -> Iterator[Sink]:
    with Sink(inbox.take) as running:
        yield running


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """With one batch that is pitched, has its curve and was not heard yet."""
    with Store.open(furnish(tmp_path, PITCHED)) as opened:
        opened.set_batch_curve(BATCH, 1)
        yield opened


@pytest.fixture
def small_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    """A batch is read in pages that a short brew fills several times."""
    monkeypatch.setattr("gylewatch.watch.READINGS_AT_ONCE", 40)
