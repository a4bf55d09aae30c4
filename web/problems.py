"""Errors as problem documents (RFC 9457) for programs; the sentence is the same one a person reads."""

from __future__ import annotations

from http import HTTPStatus

from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from gylewatch.errors import AlreadyExists, GylewatchError, InputError, NotFound, NotReady, OutOfDomain, StorageError

MEDIA_TYPE = "application/problem+json"
# A locked database or a full disk is not over in a second, and a float that posts has time.
RETRY_AFTER_SECONDS = "30"


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
        case AlreadyExists():
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


def from_validation(error: RequestValidationError) -> Problem:
    """Name each wrong part of a request, where it stands and what is wrong with it."""
    sentences = [f"{'.'.join(str(part) for part in fault['loc'])}: {fault['msg']}" for fault in error.errors()]
    return Problem(HTTPStatus.UNPROCESSABLE_ENTITY, "; ".join(sentences))


def response(problem: HTTPException) -> JSONResponse:
    """The problem document of `problem`."""
    status = HTTPStatus(problem.status_code)
    document = {"type": "about:blank", "title": status.phrase, "status": status.value, "detail": problem.detail}
    members = problem.members if isinstance(problem, Problem) else {}
    return JSONResponse(document | members, status, headers=dict(problem.headers or {}), media_type=MEDIA_TYPE)
