"""The page that sets all instruments and the float of a batch beside each other."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from gylewatch.units import half_points
from gylewatch.values import BatchId
from web.comparison import compared
from web.context import Context
from web.rendering import render


def add_compare(pages: APIRouter, context: Context) -> None:
    """The route ``/batches/<id>/compare``."""

    @pages.get("/batches/{batch_id}/compare")
    def compare(batch_id: str) -> HTMLResponse:
        record = context.store.batch(BatchId(batch_id))
        return render(
            "compare.html",
            record=record,
            batch=record.batch,
            shown=compared(context.store, record),
            half_points=half_points,
        )
