"""Who may ask and what a browser may do with the answer."""

from __future__ import annotations

import hmac
import ipaddress
from collections.abc import Iterable
from http import HTTPStatus
from urllib.parse import urlsplit

from fastapi import Request
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from web import problems
from web.problems import Problem
from web.settings import HttpSettings

# The chart library writes its style sheets into <style> elements while it draws, hence 'unsafe-inline' for styles
# alone; scripts come from this origin only, and none is inline.
CONTENT_SECURITY_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
# RFC 6762 (.local), RFC 8375 (.home.arpa), the private-use name of ICANN's board resolution of 2024 (.internal),
# and two that home routers hand out (common practice, no source).
_LOCAL_DOMAINS = (".local", ".home.arpa", ".internal", ".lan", ".localdomain")


def is_local_host(host: str, names: Iterable[str]) -> bool:
    """Whether `host`, the value of a Host header, can be ours.

    A page elsewhere can point its own public name at an address in the brewery and then talk to us as if it were our
    page. Such a name is never an address, a single word or a local domain, so those are let in beside `names`.
    """
    try:
        name = (urlsplit(f"//{host}").hostname or "").rstrip(".").lower()
    except ValueError:  # a bracket without its other half
        return False
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return bool(name) and ("." not in name or name.endswith(_LOCAL_DOMAINS) or name in {n.lower() for n in names})
    return True


class SecurityHeaders:
    """ASGI middleware: refuse foreign Host headers, put the headers above on every answer, and answer HEAD."""

    def __init__(self, app: ASGIApp, *, names: tuple[str, ...]) -> None:
        self._app = app
        self._names = names

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        host = Headers(scope=scope).get("host", "")
        if scope["method"] == "HEAD":  # answered like GET (RFC 9110, section 9.3.2); the server leaves the body out
            scope = {**scope, "method": "GET"}
        app = self._app
        if not is_local_host(host, self._names):
            detail = f"this service does not answer to the name {host[:80]!r}; add it to names in [http] if it is yours"
            app = problems.response(Problem(HTTPStatus.MISDIRECTED_REQUEST, detail))
        await app(scope, receive, send_with_headers)


def require_token(settings: HttpSettings, request: Request) -> None:
    """Let a request pass that carries the bearer token (RFC 6750), and no other.

    Raises
    ------
    Problem
        403 where no token is configured, 401 where it is missing or wrong.
    """
    if settings.token is None:
        raise Problem(HTTPStatus.FORBIDDEN, "no token is configured, so nothing may be written; set token in [http]")
    scheme, _, given = request.headers.get("authorization", "").partition(" ")
    right = hmac.compare_digest(given.strip().encode("utf-8", "surrogateescape"), settings.token.encode())
    if scheme.lower() != "bearer" or not right:
        raise Problem(
            HTTPStatus.UNAUTHORIZED,
            "the bearer token is missing or wrong; send the header: Authorization: Bearer TOKEN",
            headers={"WWW-Authenticate": "Bearer"},
        )


def require_same_origin(request: Request) -> None:
    """Let a form pass that was sent from one of our own pages.

    Raises
    ------
    Problem
        403: the form stood on a page of another site, or the browser does not say where it stood.
    """
    # A proxy in front of us may speak https to the browser and http to us; the other way round is another's page.
    schemes = ("http", "https") if request.url.scheme == "http" else (request.url.scheme,)
    host = request.headers.get("host", "").lower()
    if request.headers.get("origin", "").lower() not in {f"{scheme}://{host}" for scheme in schemes}:
        raise Problem(
            HTTPStatus.FORBIDDEN, "this form was not sent from this service's own page; open the page and try again"
        )
