"""A real PostgreSQL in a temporary folder, reached only through a unix socket in it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

INSTALL = "apt-get install -y --no-install-recommends postgresql"
START_DEADLINE_S = 30.0


class PostgresServer:
    """A server that trusts everybody who can reach its socket.

    Parameters
    ----------
    programs : the folder of ``initdb`` and ``postgres``
    """

    def __init__(self, programs: Path) -> None:
        self._programs = programs
        self._folder = Path(tempfile.mkdtemp(prefix="gylewatch-pg-"))  # short: a socket's path has 107 bytes at most
        if os.geteuid() == 0:
            shutil.chown(self._folder, "postgres", "postgres")
        self._databases = 0
        self._run("initdb", "-A", "trust", "-N", "--no-locale", "-E", "UTF8", "-U", "app", "-D", str(self._data))
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def _data(self) -> Path:
        return self._folder / "data"

    def start(self) -> None:
        """Start the server and wait until it answers."""
        # fsync off: what is tested is our program, not the server's promise to the disk.
        command = self._command("postgres", "-D", str(self._data), "-k", str(self._folder))
        self._process = subprocess.Popen(
            [*command, "-c", "listen_addresses=", "-c", "fsync=off"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        deadline = time.monotonic() + START_DEADLINE_S
        while True:
            try:
                psycopg.connect(host=str(self._folder), user="app", dbname="postgres").close()
            except psycopg.OperationalError:
                if self._process.poll() is not None or time.monotonic() > deadline:
                    raise
                time.sleep(0.02)
            else:
                return

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """Close all connections and stop; by SIGQUIT at once, with nothing tidied up."""
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(timeout=START_DEADLINE_S)
            self._process = None

    def remove(self) -> None:
        """Stop and leave nothing behind."""
        self.stop(signal.SIGQUIT)
        shutil.rmtree(self._folder, ignore_errors=True)

    def url(self, database: str) -> str:
        """The address of a database in the form that the settings take."""
        return f"postgresql://app@/{database}?host={self._folder}"

    def new_database(self) -> str:
        """The address of an empty database that nobody else uses."""
        self._databases += 1
        name = f"test_{self._databases}"
        with psycopg.connect(host=str(self._folder), user="app", dbname="postgres", autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}".encode())
        return self.url(name)

    def _run(self, program: str, *arguments: str) -> None:
        subprocess.run(self._command(program, *arguments), check=True, capture_output=True)

    def _command(self, program: str, *arguments: str) -> list[str]:
        command = [str(self._programs / program), *arguments]
        if os.geteuid() != 0:
            return command
        # The server refuses to run as root. pdeathsig: a killed test run leaves no server behind.
        return ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups", "--pdeathsig=INT", *command]


def find_programs() -> Path | None:
    """The folder of PostgreSQL's programs: on PATH, or where Debian keeps them, the newest first."""
    on_path = shutil.which("initdb")
    if on_path is not None:
        return Path(on_path).resolve().parent
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    return found[-1].parent if found else None


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[PostgresServer]:
    """One running server for all tests; each takes its own database from it."""
    programs = find_programs()
    if programs is None:
        message = f"PostgreSQL is missing; install it with: {INSTALL}"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    server = PostgresServer(programs)
    try:
        server.start()
        yield server
    finally:
        server.remove()
