"""Withdrawing a hand sample that was mistyped: a page that says what it does, and asks once more."""

from __future__ import annotations

from http import HTTPStatus

from fastapi import APIRouter, Depends, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import escape

from gylewatch.errors import NotFound
from gylewatch.values import BatchId, Sample
from storage.records import BatchRecord
from web import records, security
from web.alert_actions import name_of
from web.bodies import read_form
from web.context import Context
from web.rendering import render


def add_withdraw(pages: APIRouter, context: Context) -> None:
    """The routes ``/batches/<id>/samples/<number>/withdraw``."""

    @pages.get("/batches/{batch_id}/samples/{sample_id}/withdraw")
    def ask(batch_id: str, sample_id: int) -> HTMLResponse:
        record = context.store.batch(BatchId(batch_id))
        sample = _standing(context, record, sample_id)
        return render(
            "withdraw.html",
            record=record,
            batch=record.batch,
            sample_id=sample_id,
            sample=sample,
            gravity=records.corrected_or_why_not(record.batch, sample),
            fahrenheit=context.settings.fahrenheit,
        )

    @pages.post(
        "/batches/{batch_id}/samples/{sample_id}/withdraw", dependencies=[Depends(security.require_same_origin)]
    )
    async def withdraw(batch_id: str, sample_id: int, request: Request) -> Response:
        return await run_in_threadpool(_withdraw, context, BatchId(batch_id), sample_id, await read_form(request))


def _standing(context: Context, record: BatchRecord, sample_id: int) -> Sample:
    for identifier, sample in context.store.samples(record.batch_id):
        if identifier == sample_id:
            return sample
    raise NotFound("sample", str(sample_id), "it may be withdrawn already; open the page of the batch again")


def _withdraw(context: Context, batch_id: BatchId, sample_id: int, typed: dict[str, str]) -> Response:
    record = context.store.batch(batch_id)
    _standing(context, record, sample_id)
    context.store.withdraw_sample(record.batch_id, sample_id, who=name_of(typed), time=context.clock())
    return RedirectResponse(f"/batches/{escape(record.batch_id)}?done=withdrawn#samples", HTTPStatus.SEE_OTHER)
