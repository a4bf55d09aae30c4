"""The page of a batch's sample ledger: the beer that its samples took, and when a further one is worth most."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from calibration.ledger import DRAWN_ML, NEVER_BACK
from gylewatch.errors import InputError
from gylewatch.typed_number import point_form, thousands_doubt
from gylewatch.values import BatchId, Instrument
from web.calibration_form import number
from web.context import Context
from web.ledger import LEAST_JAR_ML, MOST_JAR_ML, kept_ledger
from web.rendering import form_status, render
from web.words import capital


def add_ledger(pages: APIRouter, context: Context) -> None:
    """The route ``/batches/<id>/ledger``."""

    @pages.get("/batches/{batch_id}/ledger")
    def ledger(batch_id: str, jar_ml: Annotated[str, Query(max_length=80)] = "") -> HTMLResponse:
        record = context.store.batch(BatchId(batch_id))
        own_jar_ml, question = _jar_ml(jar_ml)
        return render(
            "ledger.html",
            form_status(asked=bool(question)),
            record=record,
            batch=record.batch,
            kept=kept_ledger(context.store, record, jar_ml=own_jar_ml),
            jar_ml=own_jar_ml or DRAWN_ML[Instrument.HYDROMETER],
            typed=jar_ml if thousands_doubt(jar_ml, MOST_JAR_ML) else point_form(jar_ml),
            question=question,
            never_back=NEVER_BACK,
        )


def _jar_ml(typed: str) -> tuple[float | None, str]:
    """What the brewer's own jar takes, None: the usual; and the question about what was typed, empty: none."""
    if not typed.strip():
        return None, ""
    try:
        jar_ml = number(typed.strip(), "jar", most=MOST_JAR_ML)
    except InputError as error:
        return None, f"How much does your jar take? {capital(error.reason)}."
    if not LEAST_JAR_ML <= jar_ml <= MOST_JAR_ML:
        return None, f"How much does your jar take? {jar_ml:g} ml is outside {LEAST_JAR_ML:g} to {MOST_JAR_ML:g} ml."
    return jar_ml, ""
