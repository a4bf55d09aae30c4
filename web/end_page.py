"""Ending a batch, and taking its end back: each a page that says what it does, and asks once more."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus

from fastapi import APIRouter, Depends, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import escape

from gylewatch.batch_rules import why_not_ended
from gylewatch.errors import StorageError
from gylewatch.values import BatchId
from storage.records import BatchRecord, NotReopened
from web import security
from web.bodies import read_form
from web.context import Context
from web.rendering import form_status, render
from web.typed import Unclear, minute, shown_again, time
from web.verdict import verdict


class _Pages:
    def __init__(self, context: Context) -> None:
        self._context = context

    def ask_end(
        self, batch_id: str, *, typed: Mapping[str, str] | None = None, question: str = "", failed: bool = False
    ) -> HTMLResponse:
        """Whether it shall end; or, of one that has ended, when it did."""
        store = self._context.store
        record = store.batch(BatchId(batch_id))
        estimate, open_alerts = store.latest_estimate(record.batch_id), store.open_alerts(record.batch_id)
        if typed is None and record.ended is not None:
            typed = {"time": minute(record.ended)}
        return render(
            "end.html",
            form_status(asked=bool(question), failed=failed),
            record=record,
            batch=record.batch,
            estimate=estimate,
            verdict=verdict(store, self._context.alerts, record, estimate, open_alerts),
            waiting=len(open_alerts),
            typed=shown_again(typed or {}, ("time",)),
            question=question,
            now=self._context.clock(),
        )

    def end(self, batch_id: str, typed: Mapping[str, str]) -> Response:
        """End it at the time that was typed, or now."""
        store, now = self._context.store, self._context.clock()
        record = store.batch(BatchId(batch_id))
        try:
            # Nothing typed into one that has ended is the same form sent twice: its end stays where it is.
            packaged = time(typed, "time", "When was it packaged?") or record.ended or now
        except Unclear as unclear:
            return self.ask_end(batch_id, typed=typed, question=unclear.question.sentence)
        if record.ended is not None and minute(packaged) == minute(record.ended):
            packaged = record.ended  # the field shows minutes; an end kept to the second is not moved by being shown
        if why := why_not_ended(record.batch, packaged, now):
            return self.ask_end(batch_id, typed=typed, question=f"When was it packaged? {why}.")
        try:
            store.end_batch(record.batch_id, packaged)
        except StorageError as error:
            return self.ask_end(batch_id, typed=typed, question=f"The batch has not ended: {error}.", failed=True)
        return _back(record, "ended")

    def ask_reopening(self, batch_id: str, *, question: str = "", failed: bool = False) -> HTMLResponse:
        """Whether its end shall be taken back, or why it cannot be."""
        store = self._context.store
        record = store.batch(BatchId(batch_id))
        return render(
            "reopen.html",
            form_status(asked=bool(question), failed=failed),
            record=record,
            batch=record.batch,
            why_not=store.why_not_reopened(record.batch_id),
            question=question,
        )

    def reopen(self, batch_id: str) -> Response:
        """Take its end back."""
        try:
            record = self._context.store.reopen_batch(BatchId(batch_id), self._context.clock())
        except NotReopened as error:
            record = self._context.store.batch(BatchId(batch_id))
            if record.ended is None and record.reopened is not None:  # the same form was sent twice
                return _back(record, "reopened")
            return self.ask_reopening(batch_id, question=error.why)
        except StorageError as error:
            return self.ask_reopening(batch_id, question=f"the batch is not reopened: {error}", failed=True)
        return _back(record, "reopened")


def _back(record: BatchRecord, done: str) -> Response:
    # See Other, so that loading the page again does not do it again.
    return RedirectResponse(f"/batches/{escape(record.batch_id)}?done={done}", HTTPStatus.SEE_OTHER)


def add_end(pages: APIRouter, context: Context) -> None:
    """The routes ``/batches/<id>/end`` and ``/batches/<id>/reopen``."""
    made = _Pages(context)
    ours = [Depends(security.require_same_origin)]

    @pages.get("/batches/{batch_id}/end")
    def ask_end(batch_id: str) -> HTMLResponse:
        return made.ask_end(batch_id)

    @pages.post("/batches/{batch_id}/end", dependencies=ours)
    async def end(batch_id: str, request: Request) -> Response:
        return await run_in_threadpool(made.end, batch_id, await read_form(request))

    @pages.get("/batches/{batch_id}/reopen")
    def ask_reopening(batch_id: str) -> HTMLResponse:
        return made.ask_reopening(batch_id)

    @pages.post("/batches/{batch_id}/reopen", dependencies=ours)
    def reopen(batch_id: str) -> Response:
        return made.reopen(batch_id)
