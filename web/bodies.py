"""Reading what is posted: bounded, and with a sentence where it does not fit."""

from __future__ import annotations

import json
from http import HTTPStatus
from urllib.parse import parse_qsl

from fastapi import Request
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from web.problems import Problem

SENML_TYPES = frozenset(
    {
        "application/senml+json",
        "application/senml+cbor",
        "application/json",
        "application/cbor",
    }  # RFC 8428, section 12.3
)
JSON_TYPE = "application/json"
FORM_TYPE = "application/x-www-form-urlencoded"
_FORM_BYTES = 10_000
_MOST_FIELDS = 400  # a batch with dozens of steps has four fields for each; empty ones cost twenty bytes


class BoundedBodies:
    """ASGI middleware: no request's body is taken further than `limit` bytes, whoever reads it.

    FastAPI reads the whole body of a route with a typed one before anything else, the token among it.
    """

    def __init__(self, app: ASGIApp, *, limit: int) -> None:
        self._app = app
        self._limit = limit

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        taken = 0

        async def bounded() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self._limit:
                raise _too_long(self._limit)
            return message

        await self._app(scope, bounded if scope["type"] == "http" else receive, send)


def media_type(request: Request) -> str:
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()


async def read_body(request: Request) -> bytes:
    """The body, as far as `BoundedBodies` lets it in.

    Raises
    ------
    Problem
        413: the body is longer; 400: it broke off, as it does now and then with a float at the edge of its radio.
    """
    try:
        return await request.body()
    except ClientDisconnect:
        raise Problem(HTTPStatus.BAD_REQUEST, "the body broke off; send it again") from None


async def read_json(request: Request) -> object:
    """The body as JSON.

    Raises
    ------
    Problem
        413: too long; 415: something else; 400: not JSON.
    """
    if media_type(request) != JSON_TYPE:
        raise Problem(
            HTTPStatus.UNSUPPORTED_MEDIA_TYPE, f"the body must be JSON; send the header Content-Type: {JSON_TYPE}"
        )
    body = await read_body(request)
    try:
        return json.loads(body)
    except (ValueError, RecursionError):
        detail = "the body is not JSON; write it as /api/v1/openapi.json describes it"
        raise Problem(HTTPStatus.BAD_REQUEST, detail) from None


def _too_long(limit: int) -> Problem:
    return Problem(
        HTTPStatus.REQUEST_ENTITY_TOO_LARGE, f"the body is longer than {limit:,} bytes; send fewer at a time"
    )


async def read_form(request: Request) -> dict[str, str]:
    """The fields of a form as a browser posts it; of a repeated field the last.

    Raises
    ------
    Problem
        413: too long; 415: not a form; 400: not text.
    """
    if media_type(request) != FORM_TYPE:
        raise Problem(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, f"send the form as {FORM_TYPE}")
    body = await read_body(request)
    if len(body) > _FORM_BYTES:
        raise _too_long(_FORM_BYTES)
    try:
        return dict(
            parse_qsl(body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=_MOST_FIELDS)
        )
    except ValueError as error:
        raise Problem(HTTPStatus.BAD_REQUEST, "the form cannot be read; open the page again and resend it") from error
