"""The page's test button, through a real service to a real HTTP sink."""

from __future__ import annotations

import socket
from dataclasses import replace
from pathlib import Path

from gylewatch.config import ChannelSettings
from gylewatch.demo_sink import Sink
from tests.gylewatch.brew import PITCHED
from tests.gylewatch.live import Inbox, furnish, request, running, settings


def press(service_settings: object) -> str:
    with running(service_settings, PITCHED, connect=False) as service:  # type: ignore[arg-type]
        headers = {"Origin": service.address.rstrip("/"), "Content-Type": "application/x-www-form-urlencoded"}
        status, page = request(service, "POST", "/service/trial", b"", headers)
    assert status == 200
    return page.decode()


def test_the_button_sends_a_message_that_says_it_is_only_a_test(tmp_path: Path, sink: Sink, inbox: Inbox) -> None:
    page = press(settings(furnish(tmp_path, PITCHED), None, sink))

    assert "phone took the test message" in page
    ((title, message),) = inbox.notices
    assert title.startswith("Test: ")
    assert "only a test" in message
    assert "Next:" not in message, "there is nothing to do about a test"


def test_a_channel_that_fails_is_told_and_keeps_no_other_from_its_test(
    tmp_path: Path, sink: Sink, inbox: Inbox
) -> None:
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))  # taken, but nothing listens
        dead = f"json://127.0.0.1:{closed.getsockname()[1]}/"
        wanted = settings(furnish(tmp_path, PITCHED), None, sink)
        page = press(replace(wanted, channels=(ChannelSettings(name="pager", url=dead), *wanted.channels)))

    assert "failed</span> pager: " in page
    assert "phone took the test message" in page
    assert len(inbox.notices) == 1
