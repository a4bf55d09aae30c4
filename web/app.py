"""The web application: page and API over one store. Started and stopped by `gylewatch.service`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from http import HTTPStatus

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.routing import BaseRoute, Match, Route

from alerts.settings import AlertSettings
from collector.packet import Packet
from gylewatch.errors import GylewatchError, NotFound
from gylewatch.naming import Naming
from gylewatch.values import HandSettings
from storage.store import Store
from web import api, asked, assets, pages, problems, rendering
from web.bodies import BoundedBodies
from web.context import Context
from web.health import ServiceHealth
from web.ingest import IngestResult
from web.security import HEADERS, SecurityHeaders
from web.settings import HttpSettings
from web.trial import ChannelTrial

_API = "/api/"
# No link or form of our pages makes such an address, so there is nothing to explain about its parts.
_NOT_OURS = "this address was not made by these pages; go back and choose again"
_DESCRIPTION = "Fermentations watched through tilting floats. Times are UTC, gravities SG 20/20 °C, temperatures °C."


def create_app(
    store: Store,
    *,
    clock: Callable[[], datetime],
    ingest: Callable[[Packet], IngestResult] | None,
    settings: HttpSettings,
    health: Callable[[], ServiceHealth],
    alerts: AlertSettings | None = None,
    try_channels: Callable[[], Sequence[ChannelTrial]] | None = None,
    instruments: HandSettings | None = None,
    naming: Naming | None = None,
) -> FastAPI:
    """Make the application.

    Parameters
    ----------
    store : open; called from several threads
    clock : now, in UTC
    ingest : takes one packet whose `origin` is the float's name, and returns only after the accepted readings are
        committed; called from a worker thread. None: readings do not come over HTTP.
    settings : the section ``[http]``
    health : a snapshot of the service; called from a worker thread
    alerts : thresholds, by which "finished" is told; None: the usual ones
    try_channels : sends a test message over every channel and says what became of each; called from a worker thread.
        None: there is no channel.
    instruments : with which the samples of batches that are started on the page are measured; None: the contract's
    naming : what the configuration says about the names of floats and vessels; None: nothing
    """
    context = Context(
        store=store,
        clock=clock,
        ingest=ingest,
        settings=settings,
        health=health,
        alerts=alerts or AlertSettings(),
        try_channels=try_channels,
        instruments=instruments or HandSettings(),
        naming=naming or Naming(),
    )
    # The library's own documentation pages load their scripts from a content network, so they stay off.
    app = FastAPI(
        title="gylewatch", version="1", description=_DESCRIPTION,
        docs_url=None, redoc_url=None, openapi_url="/api/v1/openapi.json",
    )  # fmt: skip
    app.add_middleware(GZipMiddleware, minimum_size=1000)
    app.add_middleware(BoundedBodies, limit=settings.max_body_bytes)
    app.add_middleware(SecurityHeaders, names=settings.names)
    for_programs = api.router(context)
    app.include_router(for_programs)
    app.include_router(assets.router)
    app.include_router(pages.router(context))
    _add_errors(app, for_programs.routes)
    return app


def _add_errors(app: FastAPI, for_programs: Sequence[BaseRoute]) -> None:
    def answer(request: Request, problem: problems.Problem, *, batch_exists: bool = True) -> Response:
        if request.url.path.startswith(_API):
            return problems.response(problem)
        return rendering.error_page(problem, request.url.path, batch_exists=batch_exists)

    async def on_http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)  # noqa: S101  (registered for it)
        if isinstance(error, problems.Problem):
            return answer(request, error)
        if not request.url.path.startswith(_API) and error.status_code != HTTPStatus.NOT_FOUND:
            return answer(request, problems.Problem(HTTPStatus(error.status_code), _NOT_OURS))
        return answer(request, problems.from_library(error, _methods(for_programs, request)))

    async def on_validation(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)  # noqa: S101
        if not request.url.path.startswith(_API):
            return answer(request, problems.Problem(HTTPStatus.UNPROCESSABLE_ENTITY, _NOT_OURS))
        return answer(request, problems.unclear(asked.questions(error.errors())))

    async def on_ours(request: Request, error: Exception) -> Response:
        assert isinstance(error, GylewatchError)  # noqa: S101
        batch_exists = not (isinstance(error, NotFound) and error.what == "batch")
        return answer(request, problems.from_error(error), batch_exists=batch_exists)

    async def on_any(request: Request, _error: Exception) -> Response:
        # The server logs the error itself with its traceback; the person gets a sentence.
        detail = "something went wrong in the service; its log has the details"
        response = answer(request, problems.Problem(HTTPStatus.INTERNAL_SERVER_ERROR, detail))
        response.headers.update(HEADERS)  # this answer is made outside every middleware
        return response

    app.add_exception_handler(HTTPException, on_http)
    app.add_exception_handler(RequestValidationError, on_validation)
    app.add_exception_handler(GylewatchError, on_ours)
    app.add_exception_handler(Exception, on_any)


def _methods(routes: Sequence[BaseRoute], request: Request) -> set[str]:
    """What the address can be asked for: several routes may share one."""
    here = [route for route in routes if isinstance(route, Route) and route.matches(request.scope)[0] != Match.NONE]
    return {method for route in here for method in route.methods or ()}
