"""A small HTTP server that receives the demo's notifications, as a chat or home server of the user's would."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any, Self

_LARGEST_BYTES = 100_000


class Sink:
    """Listens on this machine only.

    Parameters
    ----------
    on_notice : called with title and text of each notification
    """

    def __init__(self, on_notice: Callable[[str, str], None]) -> None:
        class Receiver(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                size = min(int(self.headers.get("Content-Length") or 0), _LARGEST_BYTES)
                content = json.loads(self.rfile.read(size))
                self.send_response(200)
                self.send_header("Content-Length", "0")
                self.end_headers()
                on_notice(str(content.get("title", "")), str(content.get("message", "")))

            def log_message(self, *_: Any) -> None:
                """Say nothing; what arrives is printed by the demo."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Receiver)
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, name="sink", daemon=True)

    @property
    def url(self) -> str:
        """The Apprise address of this sink."""
        return f"json://127.0.0.1:{self._server.server_address[1]}/"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()
