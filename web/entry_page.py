"""The form of a batch: to start one, and to change one that is active."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from http import HTTPStatus
from typing import Final

from fastapi import APIRouter, Depends, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import escape

from gylewatch.batch_rules import changes, float_note, why_not_changed
from gylewatch.errors import AlreadyExists, InputError, NotFound, StorageError
from gylewatch.values import Batch, BatchId, FloatId
from storage.records import BatchRecord, ChangedMeanwhile, FloatInUse, FloatRecord, VesselRecord
from web import security
from web.batch_form import (
    SPARE_ROWS,
    SURE,
    batch_fields,
    doubts,
    fingerprint,
    numbers_of,
    parse_batch,
    rows_of,
    times_of,
)
from web.bodies import read_form
from web.context import Context
from web.rendering import form_status, render
from web.typed import Question, shown_again
from web.words import capital

_START = "/start"
SWAP: Final = "swap"  # the box that says which beer changes places with this one
# Where the form calls a fact otherwise than the batch file does.
_CALLED: Final = {
    "volume_l": "volume",
    "original_gravity": "original gravity",
    "expected_attenuation": "expected attenuation",
    "temperature_c": "wanted temperature",
    "plan": "planned steps",
    "addition": "additions",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A float or vessel that can be chosen."""

    name: str
    taken_by: str = ""  # the active batch it is in


class _Pages:
    def __init__(self, context: Context) -> None:
        self._context = context
        self._fahrenheit = context.settings.fahrenheit

    def show(
        self,
        typed: Mapping[str, str],
        *,
        record: BatchRecord | None = None,
        questions: tuple[Question, ...] = (),
        failed: bool = False,
        there: BatchRecord | None = None,
    ) -> HTMLResponse:
        """The form with what was `typed`; of `record` where that one is changed, `there` being in its new vessel."""
        store = self._context.store
        active = store.batches(active_only=True)
        others = [each.batch for each in active if record is None or each.batch_id != record.batch_id]
        vessels = {batch.vessel: batch.name for batch in others}
        floats = {batch.float_id: batch.name for batch in others}
        return render(
            "batch_form.html",
            form_status(asked=bool(questions), failed=failed),
            record=record,
            typed=shown_again(typed, times_of(typed), numbers_of(typed)),
            questions=questions,
            vessels=[Choice(name=v.vessel_id, taken_by=vessels.get(v.vessel_id, "")) for v in store.vessels()],
            floats=[Choice(name=f.float_id, taken_by=floats.get(f.float_id, "")) for f in store.floats()],
            heard=len(store.heard_floats()),
            steps=rows_of(typed, "plan"),
            additions=rows_of(typed, "addition"),
            spare=SPARE_ROWS,
            seen=fingerprint(record.batch) if record else "",
            there=there,
            fahrenheit=self._fahrenheit,
        )

    def start(self, typed: Mapping[str, str]) -> Response:
        """Start the batch that was typed."""
        parsed = parse_batch(
            typed, now=self._context.clock(), fahrenheit=self._fahrenheit, instruments=self._context.instruments
        )
        questions = self._questions(parsed, typed, None)
        if questions or not isinstance(parsed, Batch):
            return self.show(typed, questions=questions)
        created, store = self._context.clock(), self._context.store

        def keep() -> BatchRecord:
            try:
                return store.add_batch(parsed, created=created, new=self._new(parsed, typed))
            except AlreadyExists as error:
                if (sent_before := self._sent_before(parsed, typed, error)) is None:
                    raise
                return sent_before

        return self._kept(typed, None, "started", keep)

    def _sent_before(self, batch: Batch, typed: Mapping[str, str], error: AlreadyExists) -> BatchRecord | None:
        """The batch that this very form has started, where it is sent twice: a button tapped twice, an answer lost."""
        if error.what != "batch":
            return None
        active = self._context.store.batches(active_only=True)
        there = next((record for record in active if record.batch.name == batch.name), None)
        if there is None:
            return None
        if not typed.get("pitched", "").strip():  # "now" was another moment then
            batch = replace(batch, pitched=there.batch.pitched)
        return there if there.batch == batch else None

    def form_of(self, batch_id: str) -> HTMLResponse:
        """The form of an active batch, filled in."""
        record = self._changeable(batch_id)
        return self.show(batch_fields(record.batch, fahrenheit=self._fahrenheit), record=record)

    def change(self, batch_id: str, typed: Mapping[str, str]) -> Response:
        """Let an active batch go on with what was typed."""
        record = self._changeable(batch_id)
        before = record.batch
        parsed = parse_batch(
            typed,
            now=self._context.clock(),
            fahrenheit=self._fahrenheit,
            instruments=before.instruments,
            before=before,
        )
        questions = self._questions(parsed, typed, before)
        if typed.get("seen") != fingerprint(before) and parsed != before:  # else the same form was sent twice
            questions = (_changed_elsewhere(parsed, before), *questions)
        there = self._in_the_way(parsed, record)
        if there is not None and typed.get(SWAP) != there.batch_id:
            questions = (*questions, _swap_question(there, before))
        if questions or not isinstance(parsed, Batch):
            return self.show(typed, record=record, questions=questions, there=there)
        done, store = "changed" if changes(before, parsed) else "same", self._context.store
        try:
            return self._kept(
                typed,
                record,
                done,
                lambda: store.replace_batch(
                    record, parsed, new=self._new(parsed, typed), swap=there.batch_id if there else None
                ),
            )
        except ChangedMeanwhile:
            return self.change(batch_id, typed)  # to be judged against what stands now

    def _in_the_way(self, parsed: Batch | tuple[Question, ...], record: BatchRecord) -> BatchRecord | None:
        """The active batch in the vessel into which `record` is to go."""
        if not isinstance(parsed, Batch) or parsed.vessel == record.batch.vessel:
            return None
        return self._context.store.active_batch_in(parsed.vessel)

    def _changeable(self, batch_id: str) -> BatchRecord:
        record = self._context.store.batch(BatchId(batch_id))
        if why := why_not_changed(record.ended):
            raise InputError(f"batch {record.batch_id}", why)
        return record

    def _questions(
        self, parsed: Batch | tuple[Question, ...], typed: Mapping[str, str], before: Batch | None
    ) -> tuple[Question, ...]:
        if not isinstance(parsed, Batch):
            return parsed
        if typed.get(SURE):
            return ()
        return (*doubts(parsed, before, fahrenheit=self._fahrenheit), *self._mixed(parsed, before))

    def _mixed(self, batch: Batch, before: Batch | None) -> tuple[Question, ...]:
        """Whether the float was in another beer meanwhile; not asked again where that stays as it was."""
        if before is not None and (before.float_id, before.pitched) == (batch.float_id, batch.pitched):
            return ()
        others = ((record.batch, record.ended) for record in self._context.store.batches())
        remedy = "correct the time of pitching, or that end (on the page of that batch), and otherwise confirm it below"
        note = float_note(batch, others, remedy)
        return (Question(field=SURE, sentence=f"{capital(note)}."),) if note else ()

    def _new(self, batch: Batch, typed: Mapping[str, str]) -> list[FloatRecord | VesselRecord]:
        """The float and the vessel that are named for the first time."""
        store, now = self._context.store, self._context.clock()
        new: list[FloatRecord | VesselRecord] = []
        if typed.get("new_float", "").strip() and batch.float_id not in store.float_ids():
            new.append(FloatRecord(float_id=FloatId(batch.float_id), created=now))
        if typed.get("new_vessel", "").strip() and batch.vessel not in {each.vessel_id for each in store.vessels()}:
            new.append(VesselRecord(vessel_id=batch.vessel, created=now))
        return new

    def _kept(
        self, typed: Mapping[str, str], record: BatchRecord | None, done: str, keep: Callable[[], BatchRecord]
    ) -> Response:
        """Keep it; what was typed stays on the page where that cannot be done."""
        failed = False
        try:
            kept = keep()
        except (AlreadyExists, NotFound) as error:
            question = Question(field=_field(error), sentence=f"{capital(str(error))}.")
        except StorageError as error:
            failed = True
            question = Question(field="", sentence=f"Nothing is kept: {error}. What you typed still stands here.")
        else:
            # See Other, so that loading the page again does not send the form again.
            return RedirectResponse(f"/batches/{escape(kept.batch_id)}?done={done}", HTTPStatus.SEE_OTHER)
        return self.show(typed, record=record, questions=(question,), failed=failed)


def _swap_question(there: BatchRecord, before: Batch) -> Question:
    name = there.batch.name
    sentence = (
        f"Vessel {there.batch.vessel} holds {name}. If the two beers change places, say so below: {name} goes into "
        f"{before.vessel} then. Otherwise choose another vessel, or move {name} first."
    )
    return Question(field=SWAP, sentence=sentence)


def _changed_elsewhere(parsed: Batch | tuple[Question, ...], before: Batch) -> Question:
    """Names what would be undone: the form shows only what this person typed."""
    sentence = "The batch was changed elsewhere since this form was opened"
    if isinstance(parsed, Batch):
        named = ", ".join(_CALLED.get(each, each) for each in changes(before, parsed))
        return Question(field="", sentence=f"{sentence}. To keep this form now would change: {named}. Look once more.")
    return Question(field="", sentence=f"{sentence}; look at what stands here once more.")


def _field(error: AlreadyExists | NotFound) -> str:
    if isinstance(error, FloatInUse):
        return "float"
    return {"batch": "name", "float": "float", "vessel": "vessel"}.get(error.what, "")


def add_entry(pages: APIRouter, context: Context) -> None:
    """The routes ``/start`` and ``/batches/<id>/change``."""
    made = _Pages(context)
    ours = [Depends(security.require_same_origin)]

    @pages.get(_START)
    def start() -> HTMLResponse:
        return made.show({})

    @pages.post(_START, dependencies=ours)
    async def keep_new(request: Request) -> Response:
        return await run_in_threadpool(made.start, await read_form(request))

    @pages.get("/batches/{batch_id}/change")
    def change(batch_id: str) -> HTMLResponse:
        return made.form_of(batch_id)

    @pages.post("/batches/{batch_id}/change", dependencies=ours)
    async def keep_changed(batch_id: str, request: Request) -> Response:
        return await run_in_threadpool(made.change, batch_id, await read_form(request))
