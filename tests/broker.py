"""A real mosquitto on a free loopback port, for tests and benchmarks."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from pathlib import Path
from types import TracebackType

import pytest


def free_port() -> int:
    """A TCP port of the loopback address that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def find_command(name: str) -> str:
    """The path of a program; without it the test is skipped at a desk and fails in CI."""
    path = shutil.which(name, path=os.environ.get("PATH", "") + os.pathsep + "/usr/sbin:/usr/local/sbin")
    if path is None:
        message = f"the program {name} is missing; run make test once, which installs it"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    return path


class Broker:
    """One mosquitto. Start, stop, kill and start again keep port and, where it was saved, the sessions.

    Parameters
    ----------
    directory : an empty directory for its files
    config : further lines of configuration; without any, everybody may connect
    autosave_on_changes : save each change at once, so that a kill loses nothing; slow (test bench: 430 messages/s)
    """

    def __init__(self, directory: Path, config: str = "allow_anonymous true", *, autosave_on_changes: bool = False):
        self.directory = directory
        self.port = free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self._config = directory / "mosquitto.conf"
        data = directory / "data"
        data.mkdir(parents=True, exist_ok=True)
        lines = [
            "user root" if os.geteuid() == 0 else "",
            f"listener {self.port} 127.0.0.1",
            "persistence true",
            f"persistence_location {data}/",
            "autosave_interval 1",
            f"autosave_on_changes {'true' if autosave_on_changes else 'false'}",
            "max_queued_messages 200000",
            config,
        ]
        self._config.write_text("\n".join(lines) + "\n", encoding="utf-8")

    def start(self) -> Broker:
        """Start and wait until it listens."""
        log = (self.directory / "mosquitto.log").open("ab")
        with log:
            self._process = subprocess.Popen(
                [find_command("mosquitto"), "-c", str(self._config)], stdout=log, stderr=subprocess.STDOUT
            )
        end = time.monotonic() + 10
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
            except OSError:
                if self._process.poll() is not None or time.monotonic() > end:
                    raise RuntimeError(f"mosquitto does not listen: {self.log()}") from None
                time.sleep(0.01)
            else:
                return self

    def stop(self) -> None:
        """End it in order; it saves its sessions."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def kill(self) -> None:
        """As a power cut: SIGKILL."""
        assert self._process is not None
        self._process.kill()
        self._process.wait(10)
        self._process = None

    def log(self) -> str:
        return (self.directory / "mosquitto.log").read_text(encoding="utf-8", errors="replace")

    def __enter__(self) -> Broker:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
