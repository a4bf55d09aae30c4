"""Reading what is posted: bounded, and with a sentence where it does not fit."""

from __future__ import annotations

import json
from http import HTTPStatus
from urllib.parse import parse_qsl

from fastapi import Request

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


def media_type(request: Request) -> str:
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()


async def read_body(request: Request, limit: int) -> bytes:
    """The body, read no further than `limit` bytes.

    Raises
    ------
    Problem
        413: the body is longer.
    """
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > limit:
            raise Problem(
                HTTPStatus.REQUEST_ENTITY_TOO_LARGE, f"the body is longer than {limit:,} bytes; send fewer at a time"
            )
    return bytes(body)


async def read_json(request: Request, limit: int) -> object:
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
    body = await read_body(request, limit)
    try:
        return json.loads(body)
    except (ValueError, RecursionError):
        detail = "the body is not JSON; write it as /api/v1/openapi.json describes it"
        raise Problem(HTTPStatus.BAD_REQUEST, detail) from None


async def read_form(request: Request) -> dict[str, str]:
    """The fields of a form as a browser posts it; of a repeated field the last.

    Raises
    ------
    Problem
        413: too long; 415: not a form; 400: not text.
    """
    if media_type(request) != FORM_TYPE:
        raise Problem(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, f"send the form as {FORM_TYPE}")
    body = await read_body(request, _FORM_BYTES)
    try:
        return dict(parse_qsl(body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=50))
    except ValueError as error:
        raise Problem(HTTPStatus.BAD_REQUEST, "the form cannot be read; open the page again and resend it") from error
