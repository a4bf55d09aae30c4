"""What a person does about an open alert: acknowledge it, let it sleep, wake it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from http import HTTPStatus

from fastapi import APIRouter, Depends, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import RedirectResponse, Response
from markupsafe import escape

from gylewatch.values import BatchId
from web import security
from web.bodies import read_form
from web.context import Context
from web.problems import Problem

# From "I am on my way" to "after the weekend".
SNOOZE_HOURS = (4, 12, 24, 72)
NOBODY = "someone at the page"
_NAME_LENGTH = 40


def add_alert_actions(pages: APIRouter, context: Context) -> None:
    """The routes under ``/batches/<id>/alerts``."""

    @pages.post("/batches/{batch_id}/alerts/{alert_id}", dependencies=[Depends(security.require_same_origin)])
    async def act(batch_id: str, alert_id: int, request: Request) -> Response:
        return await run_in_threadpool(_act, context, BatchId(batch_id), alert_id, await read_form(request))


def _act(context: Context, batch_id: BatchId, alert_id: int, typed: dict[str, str]) -> Response:
    store, now = context.store, context.clock()
    record = store.batch(batch_id)
    if alert_id not in {alert.id for alert in store.open_alerts(record.batch_id)}:
        raise Problem(HTTPStatus.CONFLICT, "this alert is over, or another one took its place; open the page again")
    match typed.get("action"):
        case "acknowledge":
            store.acknowledge_alert(alert_id, who=name_of(typed), time=now)
        case "snooze":
            store.snooze_alert(alert_id, until=now + timedelta(hours=_hours(typed.get("hours", ""))))
        case "wake":
            store.snooze_alert(alert_id, until=None)
        case _:
            raise Problem(HTTPStatus.BAD_REQUEST, "the form asks for nothing that can be done; open the page again")
    return RedirectResponse(f"/batches/{escape(record.batch_id)}#alerts-title", HTTPStatus.SEE_OTHER)


def name_of(typed: Mapping[str, str]) -> str:
    """Who did it, as typed into the field ``who`` of a form; empty is allowed."""
    return " ".join(typed.get("who", "").split())[:_NAME_LENGTH] or NOBODY


def _hours(typed: str) -> int:
    for hours in SNOOZE_HOURS:
        if typed == str(hours):
            return hours
    offered = ", ".join(str(hours) for hours in SNOOZE_HOURS)
    raise Problem(HTTPStatus.UNPROCESSABLE_ENTITY, f"how long shall it sleep: {offered} hours?")
