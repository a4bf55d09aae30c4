"""Removing a batch that was entered by mistake: a page that says what is lost, and asks for a word that it may be."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus

from fastapi import APIRouter, Depends, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from gylewatch.errors import NotFound, StorageError
from gylewatch.values import BatchId
from web import security
from web.bodies import read_form
from web.context import Context
from web.rendering import form_status, render

_SURE = "sure"  # the box that says that what would be lost may be


class _Pages:
    def __init__(self, context: Context) -> None:
        self._context = context

    def ask(self, batch_id: str, *, question: str = "", failed: bool = False) -> HTMLResponse:
        """Whether it shall go, with all that goes along."""
        store = self._context.store
        record = store.batch(BatchId(batch_id))
        return render(
            "remove.html",
            form_status(asked=bool(question), failed=failed),
            record=record,
            batch=record.batch,
            estimate=store.latest_estimate(record.batch_id),
            samples=len(store.samples(record.batch_id)),
            messages=len(store.alerts(record.batch_id)),
            question=question,
        )

    def remove(self, batch_id: str, typed: Mapping[str, str]) -> Response:
        """Remove it."""
        store = self._context.store
        try:
            name = store.batch(BatchId(batch_id)).batch_id
            if not typed.get(_SURE) and (store.latest_estimate(name) is not None or store.samples(name)):
                return self.ask(name, question="Tick the box if all this may be lost.")
            store.remove_batch(name)
        except NotFound:
            pass  # the same form was sent twice
        except StorageError as error:
            return self.ask(batch_id, question=f"The batch is not removed: {error}.", failed=True)
        return RedirectResponse("/?done=removed", HTTPStatus.SEE_OTHER)


def add_remove(pages: APIRouter, context: Context) -> None:
    """The routes ``/batches/<id>/remove``."""
    made = _Pages(context)

    @pages.get("/batches/{batch_id}/remove")
    def ask(batch_id: str) -> HTMLResponse:
        return made.ask(batch_id)

    @pages.post("/batches/{batch_id}/remove", dependencies=[Depends(security.require_same_origin)])
    async def remove(batch_id: str, request: Request) -> Response:
        return await run_in_threadpool(made.remove, batch_id, await read_form(request))
