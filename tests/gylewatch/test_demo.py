"""The demo from the outside: it tells what happens, a verdict is delivered, and nothing is left behind."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.request import urlopen

import numpy as np
import pytest

from calibration.curve import gravity_reading
from calibration.fit import fit_curve
from gylewatch.demo_brewery import BEERS, LENGTH, PROBE_OFF_C, Beer, probe_readings_of, readings_of, references_of
from gylewatch.demo_broker import given_broker
from gylewatch.errors import ConfigError
from tests.eventually import eventually

START = datetime(2026, 3, 2, tzinfo=UTC)


@contextmanager
def demo(folder: Path, *more: str) -> Iterator[subprocess.Popen[bytes]]:
    """The demo with its temporary files in `folder` and its output in out.txt beside it."""
    folder.mkdir()
    with (folder.parent / "out.txt").open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "gylewatch.cli", "demo", "--port", "0", *more],
            stdout=out,
            stderr=subprocess.STDOUT,
            env={**os.environ, "TMPDIR": str(folder), "PYTHONUNBUFFERED": "1"},
        )
        try:
            yield process
        finally:
            process.kill()
            process.wait(15)


def said(folder: Path) -> str:
    return (folder.parent / "out.txt").read_text(encoding="utf-8")


def page(folder: Path) -> re.Match[str] | None:
    return re.search(r"http://127\.0\.0\.1:(\d+)/", said(folder))


def is_open(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1).close()
    except OSError:
        return False
    return True


def test_within_ninety_seconds_a_beer_has_fermented_and_its_finish_is_delivered(tmp_path: Path) -> None:
    folder = tmp_path / "temporary"

    with demo(folder, "--exit-when-finished") as process:
        code = process.wait(90)

    assert code == 0, said(folder)
    assert re.search(r"day +1 .*Ferry Lane Pale 1\.0\d+ \w+", said(folder))
    assert re.search(r"notified: .*: Fermentation has started", said(folder))
    assert re.search(r"notified: .*: Fermentation has finished", said(folder))
    assert "Traceback" not in said(folder)
    assert list(folder.iterdir()) == []


def test_ctrl_c_ends_it_and_leaves_no_process_port_or_file_behind(tmp_path: Path) -> None:
    folder = tmp_path / "temporary"

    with demo(folder) as process:
        eventually("the page is named", lambda: page(folder) is not None, 60)
        found = page(folder)
        assert found is not None
        with urlopen(found[0], timeout=10) as answer:
            content = answer.read().decode()
        (configuration,) = folder.glob("*/broker.conf")
        ports = [int(found[1]), *map(int, re.findall(r"127\.0\.0\.1:(\d+)", configuration.read_text()))]
        opened = [is_open(port) for port in ports]
        process.send_signal(signal.SIGINT)
        code = process.wait(15)

    assert "Ferry Lane Pale" in content
    assert opened == [True] * 3
    assert code == 0
    assert [is_open(port) for port in ports] == [False] * 3
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize("text", ["", "host", "host:", ":1883", "host:port", "host:70000"])
def test_a_broker_that_is_not_host_and_port_is_refused(text: str) -> None:
    with pytest.raises(ConfigError, match="write HOST:PORT"):
        given_broker(text)


@pytest.mark.parametrize("beer", BEERS, ids=lambda beer: beer.float_name)
def test_an_invented_beer_ferments_out_within_the_demo(beer: Beer) -> None:
    readings = list(readings_of(beer, START, np.random.default_rng(1)))

    angles = np.array([reading.angle_deg for reading in readings])
    assert np.median(angles[:40]) > np.median(angles[-200:]) + 10
    assert readings[-1].time > START + LENGTH - timedelta(hours=2)
    assert 0.9 < len(readings) / (LENGTH / timedelta(minutes=15)) < 1.0  # some packets are lost


@pytest.mark.parametrize("beer", BEERS, ids=lambda beer: beer.float_name)
def test_a_float_of_the_demo_read_through_its_curve_gives_the_beers_gravity_warm_and_cold(beer: Beer) -> None:
    curve = fit_curve(references_of(beer, np.random.default_rng(1)))
    original = 1.0 + beer.original_points / 1000.0

    readings = list(readings_of(beer, START, np.random.default_rng(1)))
    read = [1000.0 * (gravity_reading(curve, each, original_gravity_sg=original).gravity_sg - 1.0) for each in readings]

    assert np.median(read[:24]) == pytest.approx(beer.original_points, abs=1.0)
    assert np.median(read[-96:]) == pytest.approx(beer.final_points, abs=1.0)


def test_a_vessel_of_the_demo_has_a_probe_that_measures_the_beer_in_which_its_float_lies() -> None:
    (beer,) = [beer for beer in BEERS if beer.probe is not None]
    by_float = {each.time: each.temperature_c for each in readings_of(beer, START, np.random.default_rng(1))}

    heard = list(probe_readings_of(beer, START, np.random.default_rng(2)))

    off = np.array([each.temperature_c - by_float[each.time] for each in heard if each.time in by_float])
    assert len(heard) == LENGTH / timedelta(minutes=15)
    assert {(each.probe, each.vessel) for each in heard} == {(beer.probe, beer.vessel)}
    assert abs(np.median(off) - PROBE_OFF_C) < 0.02
    assert np.abs(off - PROBE_OFF_C).max() < 0.5
    assert list(probe_readings_of(BEERS[0], START, np.random.default_rng(2))) == []


def test_the_demos_probe_is_heard(tmp_path: Path) -> None:
    folder = tmp_path / "temporary"

    with demo(folder) as process:
        eventually("the page is named", lambda: page(folder) is not None, 60)
        found = page(folder)
        assert found is not None
        place = f"{found[0]}api/v1/batches/cold-cellar-lager/temperatures"
        eventually("it is heard", lambda: b"thermowell-2" in urlopen(place, timeout=10).read(), 30)
        process.send_signal(signal.SIGINT)
        assert process.wait(15) == 0
