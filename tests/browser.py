"""A real Chromium, and a real server on the loopback address for it to look at."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import uvicorn
from playwright.sync_api import Browser, Page, sync_playwright

from tests.broker import find_command
from tests.eventually import eventually

# From the project's test bench: what a browser in a container needs, and what keeps it from calling home.
_FLAGS = (
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
)
PHONE: dict[str, Any] = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "device_scale_factor": 2}
DESKTOP: dict[str, Any] = {"viewport": {"width": 1280, "height": 900}}


@contextmanager
def chromium() -> Iterator[Browser]:
    """The system's Chromium; skipped at a desk and failed in CI where it is missing."""
    path = find_command("chromium")
    # Chromium refuses its sandbox to root.
    flags = (*_FLAGS, "--no-sandbox") if os.geteuid() == 0 else _FLAGS
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, headless=True, args=list(flags))
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def serving(app: Any) -> Iterator[str]:
    """`app` on a free loopback port, as its address."""
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=0, log_level="warning", lifespan="off"))
    thread = threading.Thread(target=server.run, name="web-under-test")
    thread.start()
    try:
        eventually("the server listens", lambda: server.started)
        port = server.servers[0].sockets[0].getsockname()[1]
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(timeout=10)


class Watch:
    """What a page asked for and complained about."""

    def __init__(self, page: Page) -> None:
        self.requests: list[str] = []
        self.complaints: list[str] = []
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("console", lambda message: self._note(message.type, message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _note(self, kind: str, text: str) -> None:
        if kind in ("error", "warning"):
            self.complaints.append(text)

    def strangers(self, origin: str) -> list[str]:
        """Requests to anywhere else than `origin`."""
        return [url for url in self.requests if not url.startswith((origin + "/", "data:", "blob:"))]
