"""One HTTP connection with a limit to how many there are, and to how long a request may take to arrive."""

from __future__ import annotations

import asyncio
from typing import Any, Final

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS: Final = 200
# A browser opens six to one server (common practice, no source); a process may have 1,024 files open by default, and
# database and brokers need theirs.
ARRIVAL_S: Final = 20.0  # for a request's head and body: seconds over any radio, for the largest body we take


class BoundedConnection(H11Protocol):
    """Closed at once when there are too many; closed when a request does not arrive in time."""

    arrival_s = ARRIVAL_S
    most = MOST_CONNECTIONS

    _deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if len(self.connections) > self.most:
            transport.abort()
        else:
            self._await_request()

    def data_received(self, data: bytes) -> None:
        self._await_request()
        super().data_received(data)
        if self.conn.their_state not in (h11.IDLE, h11.SEND_BODY):
            self._request_arrived()

    def connection_lost(self, exc: Exception | None) -> None:
        self._request_arrived()
        super().connection_lost(exc)

    def _await_request(self) -> None:
        if self._deadline is None:
            self._deadline = self.loop.call_later(self.arrival_s, self._give_up)

    def _request_arrived(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    def _give_up(self) -> None:
        transport: Any = self.transport
        transport.abort()
