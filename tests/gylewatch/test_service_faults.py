"""Faults around the running service: nothing acknowledged is lost, each fault is one clear line, and it goes on."""

from __future__ import annotations

import configparser
import errno
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import tempfile
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from gylewatch import cli
from gylewatch.errors import StorageError
from gylewatch.service import Service
from gylewatch.values import FloatId, Reading
from storage.store import Store
from tests.broker import Broker
from tests.eventually import eventually
from tests.gylewatch.brew import PITCHED, pale_readings
from tests.gylewatch.live import BATCH, FINISHED, Process, configure, furnish, log, publish, running, settings
from tests.storage.test_faults import as_nobody

HERON = FloatId("heron")


def times(readings: tuple[Reading, ...]) -> list[datetime]:
    return [reading.time for reading in readings]


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[Path]:
    folder.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", folder], check=False)
    if mounted.returncode != 0:
        pytest.skip("mounting a small disk needs root; tests/storage/test_faults.py covers a file that may not grow")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def fill(ballast: Path) -> None:
    """Write until the disk takes no more."""
    with ballast.open("wb", buffering=0) as file:
        for size in (65536, 4096):
            try:
                while file.write(b"x" * size) == size:
                    pass
            except OSError:
                continue


def test_a_full_disk_holds_readings_back_and_loses_none(
    tmp_path: Path, broker: Broker, capfd: pytest.CaptureFixture[str]
) -> None:
    readings = pale_readings(560)
    with small_disk(tmp_path / "disk", "6m") as disk:
        url = furnish(disk, PITCHED)
        with running(settings(url, broker.port), readings[-1].time) as service, Store.open(url) as store:
            publish(broker.port, readings[:100])
            eventually("some are concluded", lambda: service.concluded_until(HERON) == readings[99].time, 60)
            fill(disk / "ballast")

            publish(broker.port, readings[100:])
            eventually("it says so", lambda: "the disk is full; free some space" in str(service.health().problems), 60)
            assert len(store.readings(HERON)) < len(readings)
            (disk / "ballast").unlink()
            eventually("all are stored", lambda: len(store.readings(HERON)) == len(readings), 60)
            eventually("all are concluded", lambda: len(store.estimates(BATCH)) == len(readings), 60)
            eventually("all is well again", lambda: service.health().problems == (), 30)

            assert times(store.readings(HERON)) == times(readings)
    assert capfd.readouterr().out.count("storage refuses readings") == 1


def test_a_fault_of_the_store_that_stops_several_parts_is_one_problem(
    tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    readings, tries = pale_readings(20), Counter[str]()
    url = furnish(tmp_path, PITCHED)

    def full_for(part: str) -> Callable[..., None]:
        def refuse(*_: object, **__: object) -> None:
            tries[part] += 1
            raise StorageError("the disk is full", retry=True)

        return refuse

    with running(settings(url, broker.port), readings[-1].time) as service, Store.open(url) as store:
        monkeypatch.setattr(Store, "save_outcomes", full_for("worker"))
        store.append_readings(readings[:10])
        monkeypatch.setattr(Store, "append_readings", full_for("ingest"))
        publish(broker.port, readings[10:])
        eventually("both failed, and again", lambda: min(tries["worker"], tries["ingest"]) > 1, 30)
        problems = service.health().problems

    assert problems == ("the disk is full",)


def test_a_broker_killed_while_the_database_is_locked_costs_no_reading(
    tmp_path: Path, broker: Broker, capfd: pytest.CaptureFixture[str]
) -> None:
    readings = pale_readings(100)
    url = furnish(tmp_path, PITCHED)
    with (
        running(settings(url, broker.port), readings[-1].time) as service,
        closing(sqlite3.connect(tmp_path / "gylewatch.sqlite", isolation_level=None)) as other,
        Store.open(url) as store,
    ):
        other.execute("BEGIN IMMEDIATE")
        publish(broker.port, readings[:60])
        eventually("the lock is told", lambda: "another program is writing to it" in str(service.health().problems), 40)
        broker.kill()
        eventually("the loss is told", lambda: "broker" in str(service.health().problems), 30)
        broker.start()
        eventually("it is connected again", lambda: "connected since" in service.health().brokers[0], 60)
        other.execute("ROLLBACK")
        publish(broker.port, readings[60:])

        eventually("all are stored", lambda: len(store.readings(HERON)) == len(readings), 60)
        eventually("all are concluded", lambda: len(store.estimates(BATCH)) == len(readings), 60)
        eventually("all is well again", lambda: service.health().problems == (), 30)
        assert times(store.readings(HERON)) == times(readings)
    assert capfd.readouterr().out.count("storage refuses readings") == 1


def test_a_database_that_may_only_be_read_is_one_line_that_says_what_to_do() -> None:
    "localhost".encode("idna")  # loaded on first use, and nobody may not be able to read this Python's own files
    folder = Path(tempfile.mkdtemp(prefix="gylewatch-"))
    try:
        url = furnish(folder, PITCHED)
        folder.chmod(0o755)
        (folder / "gylewatch.sqlite").chmod(0o444)

        with as_nobody(), pytest.raises(StorageError) as refusal:
            Service(settings(url, None)).start()
    finally:
        shutil.rmtree(folder)

    code, said = cli.answer(refusal.value)
    assert code == cli.CHANGE
    assert "gylewatch.sqlite: it cannot be written; give this user the right to write to the file" in said
    assert "\n" not in said


def test_a_disk_that_can_only_be_read_at_the_start_is_an_end_after_which_the_unit_tries_again(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", "4m") as disk:
        url = furnish(disk, PITCHED)
        subprocess.run(["mount", "-o", "remount,ro", disk], check=True)

        with pytest.raises(StorageError) as refusal:
            Service(settings(url, None)).start()

    code, said = cli.answer(refusal.value)
    assert code == cli.LATER
    assert "its file system can only be read" in said


def test_the_unit_gives_up_after_a_wrong_configuration_alone() -> None:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.read(Path(__file__).parents[2] / "deploy" / "gylewatch.service")

    assert unit["Service"]["Restart"] == "on-failure"
    assert unit["Service"]["RestartPreventExitStatus"] == str(cli.CHANGE)
    # More often than five times in ten seconds, and systemd would give up by itself (systemd.unit, StartLimitBurst).
    assert unit["Service"]["RestartSec"] == "5s"


@pytest.mark.parametrize("number", [errno.EIO, errno.ENOMEM, errno.EMFILE])
def test_a_configuration_that_the_disk_does_not_give_is_no_wrong_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], number: int
) -> None:
    path = tmp_path / "gylewatch.toml"
    path.write_text('[database]\nurl = "sqlite:///gylewatch.sqlite"\n', encoding="utf-8")

    def failing(_: Path) -> bytes:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(Path, "read_bytes", failing)

    assert cli.run(["serve", "--config", str(path)]) == cli.LATER
    assert f"{path}: cannot be read" in capsys.readouterr().err


class Receiver(ThreadingHTTPServer):
    """Keeps the titles that are posted to it; `on_first` is called before the first is answered."""

    daemon_threads = True

    def __init__(self, on_first: Callable[[], None]) -> None:
        super().__init__(("127.0.0.1", 0), _Post)
        self.titles: list[str] = []
        self.on_first = on_first

    @property
    def url(self) -> str:
        return f"json://127.0.0.1:{self.server_port}/"


class _Post(BaseHTTPRequestHandler):
    server: Receiver

    def do_POST(self) -> None:
        content = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        self.server.titles.append(content["title"])
        if len(self.server.titles) == 1:
            self.server.on_first()
            return  # whoever asked is dead
        self.send_response(200)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the name the base class gives it
        """Keep the test's output clean."""


def test_a_death_between_a_delivery_and_its_noting_tells_that_one_twice_and_nothing_else(
    tmp_path: Path, broker: Broker
) -> None:
    """At least once: what the receiver took but the store does not know of is sent again."""
    pitched = datetime.now(UTC).replace(microsecond=0) - timedelta(days=7)
    readings = pale_readings(560, pitched)
    url = furnish(tmp_path, pitched)
    process = Process(tmp_path)
    died = threading.Event()

    def die() -> None:
        process.end(signal.SIGKILL)
        died.set()

    with Receiver(die) as receiver, Store.open(url) as store:
        threading.Thread(target=receiver.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
        configure(tmp_path, broker.port)
        with (tmp_path / "gylewatch.toml").open("a") as file:
            file.write(f'[[notify]]\nname = "phone"\nurl = "{receiver.url}"\n')
        store.append_readings(readings)
        with process:
            assert died.wait(60)
            process.start()
            eventually("the finish is told", lambda: any(FINISHED in title for title in receiver.titles), 60)
            eventually("nothing waits", lambda: store.outbox_counts()["waiting"] == 0, 30)
        told = [record.alert for record in store.alerts(BATCH)]
        receiver.shutdown()

    assert receiver.titles[0] == receiver.titles[1]
    assert len(receiver.titles[1:]) == len(set(receiver.titles[1:]))
    assert len(told) == len({(alert.kind, alert.time, alert.resolves) for alert in told})
    assert "Traceback" not in log(tmp_path)


def test_a_deleted_database_is_told_and_nothing_is_acknowledged(tmp_path: Path, broker: Broker) -> None:
    url = furnish(tmp_path, PITCHED)

    with running(settings(url, broker.port), PITCHED + timedelta(hours=1)) as service:
        for path in tmp_path.glob("gylewatch.sqlite*"):
            path.unlink()
        publish(broker.port, pale_readings(2))
        eventually("it is told", lambda: any("deleted" in problem for problem in service.health().problems))
        accepted = service.health().readings_accepted

    assert accepted == 0
    assert not (tmp_path / "gylewatch.sqlite").exists()
