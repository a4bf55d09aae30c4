"""Errors as problem documents (RFC 9457) for programs; the sentence is the same one a person reads."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from http import HTTPStatus
from typing import Any, Final

from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from gylewatch.errors import AlreadyExists, GylewatchError, InputError, NotFound, NotReady, OutOfDomain, StorageError
from storage.records import NotReopened
from web.typed import Question

MEDIA_TYPE = "application/problem+json"
# A locked database or a full disk is not over in a second, and a float that posts has time.
RETRY_AFTER_SECONDS = "30"

_TEXT: Final = {"type": "string"}
_QUESTION: Final = {
    "type": "object",
    "required": ["field", "sentence"],
    "properties": {"field": _TEXT, "sentence": _TEXT},
}
# For the document of the API: the library would describe its own errors, which nobody ever gets.
DESCRIBED: Final[dict[str, Any]] = {
    "description": "What is wrong and what to do (RFC 9457); an address may add members of its own.",
    "content": {
        MEDIA_TYPE: {
            "schema": {
                "type": "object",
                "required": ["type", "title", "status", "detail"],
                "properties": {
                    "type": _TEXT,
                    "title": _TEXT,
                    "status": {"type": "integer"},
                    "detail": _TEXT,
                    "questions": {"type": "array", "items": _QUESTION},
                },
            }
        }
    },
}


class Problem(HTTPException):
    """An HTTP error with one sentence, and further members of the problem document in `members`."""

    def __init__(
        self,
        status: HTTPStatus,
        detail: str,
        *,
        members: dict[str, object] | None = None,
        headers: dict[str, str] | None = None,
    ) -> None:
        super().__init__(status_code=status, detail=detail, headers=headers)
        self.members = members or {}


def from_error(error: GylewatchError) -> Problem:
    """The HTTP error for one of ours."""
    status = HTTPStatus.INTERNAL_SERVER_ERROR
    headers: dict[str, str] | None = None
    match error:
        case NotFound():
            status = HTTPStatus.NOT_FOUND
        case AlreadyExists() | NotReopened():
            status = HTTPStatus.CONFLICT
        case InputError() | OutOfDomain():
            status = HTTPStatus.UNPROCESSABLE_ENTITY
        case NotReady():
            status = HTTPStatus.SERVICE_UNAVAILABLE
            headers = {"Retry-After": RETRY_AFTER_SECONDS}
        case StorageError():
            status = HTTPStatus.SERVICE_UNAVAILABLE
            headers = {"Retry-After": RETRY_AFTER_SECONDS} if error.retry else None
    return Problem(status, str(error), headers=headers)


def unclear(questions: Sequence[Question], detail: str = "") -> Problem:
    """Some parts of a request cannot be used: each is named, for a program in the member ``questions``."""
    said = detail or "; ".join(f"{question.field}: {question.sentence}" for question in questions)
    asked = [{"field": question.field, "sentence": question.sentence} for question in questions]
    return Problem(HTTPStatus.UNPROCESSABLE_ENTITY, said, members={"questions": asked})


def from_library(error: HTTPException, methods: Collection[str]) -> Problem:
    """What the library refuses by itself, in our words; `methods` are those that the address takes."""
    status = HTTPStatus(error.status_code)
    if status is HTTPStatus.NOT_FOUND:
        return Problem(status, "there is nothing at this address")
    if status is HTTPStatus.METHOD_NOT_ALLOWED and methods:
        allowed = sorted(methods)
        detail = f"this address takes only {' and '.join(allowed)}; /api/v1/openapi.json describes every address"
        return Problem(status, detail, headers={"Allow": ", ".join(allowed)})
    return Problem(status, "the request cannot be read; write it as /api/v1/openapi.json describes it")


def response(problem: Problem) -> JSONResponse:
    """The problem document of `problem`."""
    headers = dict(problem.headers or {})
    return JSONResponse(document(problem), problem.status_code, headers=headers, media_type=MEDIA_TYPE)


def document(problem: Problem) -> dict[str, object]:
    """The members that every error of the API has, and those that this one has beside them."""
    status = HTTPStatus(problem.status_code)
    said = {"type": "about:blank", "title": status.phrase, "status": status.value, "detail": problem.detail}
    return said | problem.members
