"""The pages: routes that put values into templates. Whatever needs script works without it too."""

from __future__ import annotations

import json
from functools import partial
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import Markup, escape

from gylewatch.errors import StorageError
from gylewatch.values import BatchId, Instrument, Unit
from storage.records import BatchRecord
from storage.store import Store
from web import board, picture, records, security, words
from web.alert_actions import SNOOZE_HOURS, add_alert_actions
from web.bodies import read_form
from web.calibration_page import add_calibration
from web.compare_page import add_compare
from web.context import Context
from web.end_page import add_end
from web.entry_page import add_entry
from web.graph import Graph, probe_at, thin
from web.heat import heat_doubt
from web.ledger import kept_ledger
from web.ledger_page import add_ledger
from web.original import original_doubt, original_note
from web.planned import planned
from web.present import as_of
from web.remove_page import add_remove
from web.rename_page import add_rename
from web.rendering import form_status, render
from web.sample_doubt import doubt_far_sample
from web.sample_form import UNITS_OF, parse_sample
from web.service_page import add_service
from web.typed import Question, shown_again
from web.verdict import verdict
from web.withdraw_page import add_withdraw

LATEST_ROWS = 8
# Enough to follow the course of a batch by ear or on paper.
COURSE_ROWS = 60
_ALERTS = 100
_TOLD = {
    "started": "The batch is watched from now on.",
    "changed": "The change is kept, and taken up in seconds. Where the past is concerned the batch is read again from "
    "its readings, and its estimate follows in a moment.",
    "same": "Nothing was changed.",
    "ended": "The batch has ended, and is no longer watched.",
    "reopened": "The batch is watched again. It is read again from its readings; its estimate comes back in a moment.",
}
_DONE = {
    "saved": "The sample is kept. The estimate takes it in with the next update; if newer readings were used already, "
    "the batch is read again, and its estimate follows in a moment.",
    "withdrawn": "The sample is withdrawn, and nothing uses it any more. An active batch is read again from its "
    "readings; its estimate follows in a moment.",
}


def router(context: Context) -> APIRouter:
    """The routes of the pages."""
    pages = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _add_board(pages, context)
    add_service(pages, context)
    add_entry(pages, context)
    add_end(pages, context)
    add_remove(pages, context)
    _add_batch(pages, context)
    add_alert_actions(pages, context)
    add_withdraw(pages, context)
    add_compare(pages, context)
    add_ledger(pages, context)
    add_calibration(pages, context)
    add_rename(pages, context)
    return pages


def _add_board(pages: APIRouter, context: Context) -> None:
    store = context.store

    @pages.get("/")
    def front(
        text: Annotated[str, Query(alias="q", max_length=80)] = "",
        only: Annotated[str, Query(max_length=20)] = "",
        page: Annotated[int, Query(ge=1, le=10_000)] = 1,
        done: Annotated[str, Query(max_length=20)] = "",
    ) -> HTMLResponse:
        wanted = board.Wanted(text=text, attention=only == "attention", ended=only == "ended", page=page)
        shown = board.board(store, context.alerts, wanted, context.clock())
        floats = board.floats(store, context.clock())
        return render(
            "board.html",
            shown=shown,
            searched=bool(text) or shown.total > board.SEARCH_FROM,
            floats=floats[: board.FLOATS_SHOWN],
            more_floats=floats[board.FLOATS_SHOWN :],
            vessels=board.vessels(store),
            any_batch=bool(store.batches()),
            wanted=wanted,
            only=only,
            removed=done == "removed",
            health=context.health(),
            now=context.clock(),
            fahrenheit=context.settings.fahrenheit,
        )


def _pictures(graph: Graph, record: BatchRecord, *, fahrenheit: bool) -> Markup:
    """Both sizes; the style sheet shows the one that fits the screen."""
    if not graph.estimates:
        return Markup("")
    beside = ", temperature, and that of the vessel's own probe" if graph.probe.readings else " and temperature"
    title = f"Gravity of {record.batch.name} with its 80 % interval{beside}; the numbers stand in the table below"
    drawn = (picture.draw(graph, sheet, title=title, fahrenheit=fahrenheit) for sheet in (picture.NARROW, picture.WIDE))
    return Markup("".join(drawn))  # noqa: S704  (the drawing escapes its texts itself)


def _curve_note(store: Store, record: BatchRecord) -> str:
    """That a newer version of the float's curve is there than the one an active batch is read under; else empty."""
    newest = store.current_curve(record.batch.float_id)
    version = record.curve_version
    if record.ended or version is None or newest is None or newest.version <= version:
        return ""
    return (
        f"Read under version {version} of the curve of float {record.batch.float_id}; version {newest.version} is for "
        "the next batches."
    )


def _sample_advice(store: Store, record: BatchRecord) -> str:
    kept = kept_ledger(store, record)
    return kept.advice if kept.ranked else "One hydrometer reading halfway through narrows the interval most."


def _probe_told(graph: Graph, *, fahrenheit: bool) -> str:
    """The line of the vessel's own probe as a sentence; empty: it has none."""
    measured = [reading.temperature_c for reading in graph.probe.readings]
    if not measured:
        return ""
    low, high, last = (
        words.temperature(each, fahrenheit=fahrenheit) for each in (min(measured), max(measured), measured[-1])
    )
    return f"The vessel's own probe {graph.probe.readings[-1].probe} was between {low} and {high}, last at {last}."


def _add_batch(pages: APIRouter, context: Context) -> None:
    store = context.store
    fahrenheit = context.settings.fahrenheit

    def batch_page(
        batch_id: str,
        *,
        typed: dict[str, str],
        questions: tuple[Question, ...] = (),
        done: str = "",
        failed: bool = False,
    ) -> HTMLResponse:
        record = store.batch(BatchId(batch_id))
        graph = records.batch_graph(store, record)
        latest = store.estimates(record.batch_id, limit=LATEST_ROWS)
        samples = store.samples(record.batch_id)
        now, open_alerts = context.clock(), store.open_alerts(record.batch_id)
        shown = board.waiting_first(board.without_old_news(open_alerts, now), now)
        last = store.latest_reading(record.batch.float_id)
        probe = records.latest_probe_reading(store, record)
        shown_ids = {alert.id for alert in shown}
        return render(
            "batch.html",
            form_status(asked=bool(questions), failed=failed),
            record=record,
            batch=record.batch,
            estimate=latest[-1] if latest else None,
            doubt=original_doubt(record.batch, latest[-1]) if latest else "",
            original_note=original_note(record.batch, latest[-1]) if latest else "",
            latest=latest[::-1],
            course=thin(graph.estimates, COURSE_ROWS),
            additions_drawn=bool(graph.additions),
            planned=planned(record.batch, fahrenheit=fahrenheit),
            probe_told=_probe_told(graph, fahrenheit=fahrenheit),
            probe_at=partial(probe_at, graph.probe) if graph.probe.readings else None,
            pictures=_pictures(graph, record, fahrenheit=fahrenheit),
            samples=[
                (number, sample, records.corrected_or_why_not(record.batch, sample))
                for number, sample in reversed(samples)
            ],
            verdict=verdict(store, context.alerts, record, latest[-1] if latest else None, open_alerts),
            open_alerts=shown,
            urgent=board.urgent(open_alerts, now),
            as_of=partial(
                as_of,
                estimate=latest[-1] if latest else None,
                last=last,
                probe=probe,
                now=now,
                fahrenheit=fahrenheit,
            ),
            past=[
                alert for alert in reversed(store.alerts(record.batch_id, limit=_ALERTS)) if alert.id not in shown_ids
            ],
            sample_advice="" if samples else _sample_advice(store, record),
            last=last,
            probe=probe,
            heat_doubt=heat_doubt(store, record),
            curve_note=_curve_note(store, record),
            has_curve=record.curve_version is not None or store.current_curve(record.batch.float_id) is not None,
            typed=shown_again(typed, ("time",), ("value", "sample_temperature")),
            questions=questions,
            told=_TOLD.get(done, ""),
            said=_DONE.get(done, ""),
            instruments=tuple(Instrument),
            units=tuple(Unit),
            units_of=json.dumps(UNITS_OF),
            snooze_hours=SNOOZE_HOURS,
            now=now,
            fahrenheit=fahrenheit,
        )

    @pages.get("/batches/{batch_id}")
    def batch(batch_id: str, done: Annotated[str, Query(max_length=20)] = "") -> HTMLResponse:
        return batch_page(batch_id, typed={}, done=done)

    @pages.post("/batches/{batch_id}", dependencies=[Depends(security.require_same_origin)])
    async def add_sample(batch_id: str, request: Request) -> Response:
        typed = await read_form(request)
        return await run_in_threadpool(keep_sample, batch_id, typed)

    def keep_sample(batch_id: str, typed: dict[str, str]) -> Response:
        record = store.batch(BatchId(batch_id))
        parsed = parse_sample(typed, record.batch, now=context.clock(), fahrenheit=fahrenheit)
        if isinstance(parsed, tuple):
            return batch_page(batch_id, typed=typed, questions=parsed)
        doubt = None if typed.get("sure") else doubt_far_sample(store, record, parsed)
        if doubt is not None:
            return batch_page(batch_id, typed=typed, questions=(doubt,))
        try:
            store.add_sample(record.batch_id, parsed)
        except StorageError as error:
            # What was typed stays on the page: nobody measures twice because another program was writing.
            sentence = f"The sample is not kept: {error}. What you typed still stands here."
            return batch_page(batch_id, typed=typed, questions=(Question(field="", sentence=sentence),), failed=True)
        # See Other, so that loading the page again does not send the sample again.
        return RedirectResponse(f"/batches/{escape(batch_id)}?done=saved#samples", HTTPStatus.SEE_OTHER)
