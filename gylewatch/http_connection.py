"""One HTTP connection with a limit to how many there are, also of one machine, and to how long a request may take."""

from __future__ import annotations

import asyncio
import ipaddress
import json
from http import HTTPStatus
from typing import Any, Final

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from collector.steady import steady_s
from web.problems import MEDIA_TYPE, Problem, document

MOST_CONNECTIONS: Final = 200
# A browser opens six to one server (common practice, no source); a process may have 1,024 files open by default, and
# database and brokers need theirs.
MOST_OF_ONE: Final = 50
# Eight browsers on one machine, and a quarter of all places: no machine can shut the others out. A proxy in front
# counts as one machine; it uses its connections again.
ARRIVAL_S: Final = 20.0  # for a request's head and body: seconds over any radio, for the largest body we take

_SHOWN_S: Final = 3600.0  # long enough to be seen by who looks now and then
_REASON: Final = b"Too many connections from your machine; close some and try again.\n"
_NO_HTTP: Final = "this is no HTTP request; send one, over http and not https"
_TOO_MANY: Final = (
    b"HTTP/1.1 503 Service Unavailable\r\nContent-Type: text/plain; charset=utf-8\r\nRetry-After: 5\r\n"
    b"Connection: close\r\nContent-Length: %d\r\n\r\n%s" % (len(_REASON), _REASON)
)


class Refusals:
    """Connections that were refused since the start. Written by the server's thread only."""

    def __init__(self) -> None:
        self._of_all = self._of_one = 0
        self._last: tuple[float, str, int] | None = None

    def add(self, peer: str, *, most: int, of_one: bool) -> None:
        """Count one from `peer`, of which there are `most` already: from it, or from all."""
        self._of_one += of_one
        self._of_all += not of_one
        self._last = steady_s(), peer if of_one else "", most

    def problem(self) -> str | None:
        """One sentence for an hour after the last; any thread."""
        if self._last is None or steady_s() - self._last[0] > _SHOWN_S:
            return None
        _, peer, most = self._last
        who = f"{peer} holds" if peer else "other machines hold"
        return (
            f"{who} as many connections to the page as are allowed ({most}); {self._of_one + self._of_all} more were "
            "refused since the start: find out what opens them"
        )


class BoundedConnection(H11Protocol):
    """Refused when one machine, or all of them, have too many; closed when a request does not arrive in time."""

    arrival_s = ARRIVAL_S
    most = MOST_CONNECTIONS
    most_of_one = MOST_OF_ONE
    refusals = Refusals()

    _deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        peer = machine(self.client)
        if len(self.connections) > self.most:
            self.refusals.add(peer, most=self.most, of_one=False)
            transport.abort()
        elif sum(machine(getattr(each, "client", None)) == peer for each in self.connections) > self.most_of_one:
            self.refusals.add(peer, most=self.most_of_one, of_one=True)
            transport.write(_TOO_MANY)
            transport.close()
        else:
            self._await_request()

    def data_received(self, data: bytes) -> None:
        if self.transport.is_closing():
            return  # refused; what it asks is not read
        self._await_request()
        super().data_received(data)
        if self.conn.their_state not in (h11.IDLE, h11.SEND_BODY):
            self._request_arrived()

    def send_400_response(self, msg: str) -> None:
        """Answer what is no HTTP, in the shape of every other error; `msg` is the library's sentence."""
        reason = b"Bad Request"
        said = json.dumps(document(Problem(HTTPStatus.BAD_REQUEST, _NO_HTTP))).encode()
        headers = [(b"content-type", MEDIA_TYPE.encode()), (b"connection", b"close")]
        for event in (
            h11.Response(status_code=400, headers=headers, reason=reason),
            h11.Data(data=said),
            h11.EndOfMessage(),
        ):
            self.transport.write(self.conn.send(event))
        self.transport.close()

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


def machine(client: tuple[str, int] | None) -> str:
    """Whose connection it is. One machine may use every address of its IPv6 network (RFC 4291, section 2.5.1: /64)."""
    host = client[0] if client else ""
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return host
    if isinstance(address, ipaddress.IPv4Address):
        return host
    if address.ipv4_mapped is not None:
        return str(address.ipv4_mapped)
    return str(ipaddress.ip_network((address, 64), strict=False))
