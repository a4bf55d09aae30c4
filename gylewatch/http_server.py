"""Serves the web application in a thread of its own, on a port that was taken before anything else was started."""

from __future__ import annotations

import errno
import socket
import threading
from typing import Final

import uvicorn
from fastapi import FastAPI

from gylewatch.errors import ConfigError, TransportError
from gylewatch.http_connection import BoundedConnection, Refusals

_NO_RIGHT: Final = (errno.EACCES, errno.EPERM)


def listen(host: str, port: int) -> socket.socket:
    """Take the port, so that a port in use is found at once and not in a thread.

    Raises
    ------
    ConfigError
        The port needs more rights, or the host is no address.
    TransportError
        The port is in use, or this machine has no such address now; both may pass, as after a start of the machine.
    """
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
    except OSError as error:
        if error.errno == socket.EAI_AGAIN:
            raise TransportError(
                f"http.host = {host!r}: no name server answers now; check the network, or use an address"
            ) from None
        raise ConfigError(f"http.host = {host!r}: no such address; use 127.0.0.1 or 0.0.0.0") from None
    listener = socket.socket(family, kind, protocol)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(address)
        listener.listen(128)
    except OSError as error:
        listener.close()
        if error.errno == errno.EADDRNOTAVAIL:
            raise TransportError(
                f"http.host = {host!r}: this machine has no such address now; use 127.0.0.1, or 0.0.0.0 for all it has"
            ) from None
        told = ConfigError if error.errno in _NO_RIGHT else TransportError
        raise told(f"http.port = {port}: {_reason(error, host, port)}") from None
    return listener


def _reason(error: OSError, host: str, port: int) -> str:
    if error.errno == errno.EADDRINUSE:
        return f"another program listens on {host}:{port}; stop it or choose another port"
    if error.errno in _NO_RIGHT:
        return "this port needs more rights; choose one from 1024 up"
    return f"cannot listen on {host}:{port} ({(error.strerror or str(error)).lower()})"


class HttpServer:
    """Start and stop once.

    Parameters
    ----------
    app : the application
    listener : from :func:`listen`; closed at the end
    connection : how each connection is served, with its limits
    """

    def __init__(
        self, app: FastAPI, listener: socket.socket, *, connection: type[BoundedConnection] = BoundedConnection
    ) -> None:
        self._listener = listener
        self._refusals = Refusals()
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                http=type("Connection", (connection,), {"refusals": self._refusals}),
                log_config=None,  # its lines go where ours go
                log_level="warning",
                access_log=False,
                timeout_graceful_shutdown=2,
                server_header=False,
            )
        )
        self._thread = threading.Thread(target=self._run, name="http", daemon=True)

    @property
    def address(self) -> str:
        """Where a browser finds it."""
        host, port = self._listener.getsockname()[:2]
        host = {"0.0.0.0": "localhost", "::": "localhost"}.get(host, host)  # noqa: S104  shown, not bound
        return f"http://{f'[{host}]' if ':' in host else host}:{port}/"

    def problem(self) -> str | None:
        """One sentence while connections are refused because there are too many; any thread."""
        return self._refusals.problem()

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 4.0) -> None:
        """Finish the requests in hand, and close the port."""
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        self._listener.close()

    def _run(self) -> None:
        self._server.run(sockets=[self._listener])
