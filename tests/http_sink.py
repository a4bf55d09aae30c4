"""A web server for tests that keeps what is posted to it, and fails as often as it is told to."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class HttpSink(ThreadingHTTPServer):
    """Listens on a free port of this machine; the next `refusals` posts are answered with `refusal_status`."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Post)
        self.posts: list[dict[str, Any]] = []
        self.attempts = 0
        self.refusals = 0
        self.refusal_status = 503

    @property
    def port(self) -> int:
        return self.server_port


class _Post(BaseHTTPRequestHandler):
    server: HttpSink

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.attempts += 1
        if self.server.refusals > 0:
            self.server.refusals -= 1
            self.send_response(self.server.refusal_status)
        else:
            self.server.posts.append(json.loads(body))
            self.send_response(200)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the name the base class gives it
        """Keep the test's output clean."""


@contextmanager
def http_sink() -> Iterator[HttpSink]:
    """A running sink; it is gone when the block ends."""
    with HttpSink() as sink:
        thread = threading.Thread(target=sink.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        thread.start()
        try:
            yield sink
        finally:
            sink.shutdown()
            thread.join()
