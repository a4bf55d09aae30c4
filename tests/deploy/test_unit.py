"""The systemd unit is valid, and shut in."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from apprise.plugins.email import NotifyEmail

from gylewatch.deliverer import STOP_S

UNIT = Path(__file__).parents[2] / "deploy" / "gylewatch.service"
# Ten times the score of `systemd-analyze security`; below 20 means "OK" in its own words.
MOST_EXPOSED = 20


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("systemd-analyze is missing: this is no systemd machine")
    return subprocess.run([program, *words], capture_output=True, text=True, check=False)


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit with a program that exists on every machine; the real one is made by the installation."""
    text = UNIT.read_text(encoding="utf-8").replace("/opt/gylewatch/venv/bin/gylewatch", "/bin/true")
    path = tmp_path / UNIT.name
    path.write_text(text, encoding="utf-8")
    return path


def test_systemd_finds_no_fault_in_it(unit: Path) -> None:
    done = analyze("verify", "--man=no", str(unit))

    # An unknown key is only a warning with exit code 0, so standard error counts too.
    assert (done.returncode, done.stderr) == (0, "")


def test_a_fault_would_be_found(unit: Path) -> None:
    unit.write_text(unit.read_text(encoding="utf-8").replace("PrivateTmp=yes", "PrivatTmp=yes"), encoding="utf-8")

    assert "PrivatTmp" in analyze("verify", "--man=no", str(unit)).stderr


def test_it_can_do_little_besides_its_work(unit: Path) -> None:
    done = analyze("security", "--offline=true", f"--threshold={MOST_EXPOSED}", str(unit))

    assert done.returncode == 0, done.stdout.splitlines()[-1]


def test_it_starts_the_command_that_the_package_installs() -> None:
    (line,) = [line for line in UNIT.read_text(encoding="utf-8").splitlines() if line.startswith("ExecStart=")]

    assert line.endswith("/bin/gylewatch serve --config /etc/gylewatch/gylewatch.toml")
    assert os.path.basename(line.split()[0]) == "gylewatch"


def test_a_mail_server_that_does_not_answer_is_waited_for_before_the_process_is_killed() -> None:
    """The mail library's own threads outlive the service's parts; killed, the unit would count as failed."""
    (line,) = [line for line in UNIT.read_text(encoding="utf-8").splitlines() if line.startswith("TimeoutStopSec=")]

    assert float(line.removeprefix("TimeoutStopSec=").removesuffix("s")) > NotifyEmail.socket_connect_timeout + STOP_S
