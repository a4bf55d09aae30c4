"""Bodies that never end or break off, sent straight to the application."""

from __future__ import annotations

import asyncio

import pytest
from starlette.types import Message

from gylewatch.values import BatchId
from storage.store import Store
from tests.web import brewery
from web.settings import HttpSettings

CHUNK = b" " * 10_000
MOST = 1 + HttpSettings().max_body_bytes // len(CHUNK)  # chunks until the limit is passed


class Sender:
    """Sends one chunk for ever, or nothing and goes; keeps the answer."""

    def __init__(self, *, goes: bool = False) -> None:
        self.sent = 0
        self.status = 0
        self.goes = goes

    async def receive(self) -> Message:
        if self.goes:
            return {"type": "http.disconnect"}
        self.sent += 1
        assert self.sent <= 10 * MOST, "nobody stops it"
        return {"type": "http.request", "body": CHUNK, "more_body": True}

    async def send(self, message: Message) -> None:
        self.status = message.get("status", self.status)

    def post(self, store: Store, path: str, media_type: str) -> Sender:
        headers = {"host": "localhost", "origin": "http://localhost", "content-type": media_type}
        headers["authorization"] = f"Bearer {brewery.TOKEN}"
        scope = {
            "type": "http",
            "method": "POST",
            "path": path,
            "raw_path": path.encode(),
            "query_string": b"",
            "http_version": "1.1",
            "scheme": "http",
            "server": ("localhost", 80),
            "client": ("localhost", 1),
            "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
        }
        asyncio.run(brewery.application(store)(scope, self.receive, self.send))
        return self


PLACES = [
    ("/api/v1/batches/{}/samples", "application/json"),
    ("/api/v1/readings", "application/senml+json"),
    ("/batches/{}", "application/x-www-form-urlencoded"),
]


@pytest.mark.parametrize(("path", "media_type"), PLACES)
def test_a_body_without_end_is_not_taken_in(store: Store, batch_id: BatchId, path: str, media_type: str) -> None:
    sender = Sender().post(store, path.format(batch_id), media_type)

    assert sender.status == 413
    assert sender.sent <= MOST


@pytest.mark.parametrize(("path", "media_type"), PLACES)
def test_a_body_that_breaks_off_is_no_fault_of_the_program(
    store: Store, batch_id: BatchId, path: str, media_type: str
) -> None:
    sender = Sender(goes=True).post(store, path.format(batch_id), media_type)  # which would raise what the log shows

    assert sender.status == 400
