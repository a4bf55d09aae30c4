"""HttpEar: hears what a float posts, by asking the running service, which alone can listen on its port. Shell."""

from __future__ import annotations

import http.client
import json
import threading
from dataclasses import dataclass
from http import HTTPStatus
from typing import Final
from urllib.parse import urlencode

from collector.capture import captured_packet
from collector.inbox import Delivery, Inbox
from gylewatch.errors import InputError
from web.settings import HttpSettings

_EVERY_S: Final = 0.5
_TIMEOUT_S: Final = 5.0
_THIS_MACHINE: Final = {"0.0.0.0": "127.0.0.1", "::": "::1"}  # noqa: S104  what is listened on, and where it is found


@dataclass(frozen=True, slots=True, kw_only=True)
class EarHealth:
    """`problem` is one sentence while nothing can be heard, else None."""

    problem: str | None


class HttpEar:
    """Start and stop once.

    Parameters
    ----------
    settings : where the service is, and its token
    name : the float
    inbox : where its packets go
    """

    def __init__(self, settings: HttpSettings, name: str, inbox: Inbox) -> None:
        self._settings = settings
        self._host = _THIS_MACHINE.get(settings.host, settings.host)
        self._name = name
        self._inbox = inbox
        self._after: int | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="http-ear", daemon=True)
        self._problem: str | None = "the service was not asked yet"

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """End the thread."""
        self._stopping.set()
        self._thread.join(_TIMEOUT_S + 1)

    def health(self) -> EarHealth:
        """A snapshot; any thread."""
        return EarHealth(problem=self._problem)

    def _run(self) -> None:
        place = f"the service at {self._host}:{self._settings.port}"
        while not self._stopping.is_set():
            try:
                self._problem = self._ask(place)
            except (OSError, http.client.HTTPException) as error:
                reason = getattr(error, "strerror", None) or type(error).__name__
                self._problem = f"{place} does not answer ({reason}); what floats post is heard only while it runs"
            except (ValueError, TypeError, KeyError, InputError):
                self._problem = f"{place} gave an answer that is not gylewatch's of this version; check host and port"
            self._stopping.wait(_EVERY_S)

    def _ask(self, place: str) -> str | None:
        asked = {"float": self._name} | ({} if self._after is None else {"after": str(self._after)})
        connection = http.client.HTTPConnection(self._host, self._settings.port, timeout=_TIMEOUT_S)
        try:
            headers = {"Authorization": f"Bearer {self._settings.token}"}
            connection.request("GET", f"/api/v1/readings/posted?{urlencode(asked)}", headers=headers)
            answer = connection.getresponse()
            body = answer.read()
        finally:
            connection.close()
        if answer.status != HTTPStatus.OK:
            return f"{place} refused to tell what was posted ({answer.status}); check the token of [http]"
        found = json.loads(body)
        for line in found["packets"]:
            self._inbox.put(Delivery(packet=captured_packet(line, place)), self._stopping)
        self._after = int(found["after"])
        return None
