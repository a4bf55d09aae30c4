"""Templates: values into pages."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from http import HTTPStatus
from pathlib import Path

from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.exceptions import HTTPException

from alerts.advice import advice_on
from alerts.evidence import in_words
from gylewatch.counting import counted
from gylewatch.finish_time import to_the_hour
from gylewatch.values import utc_text
from web import assets, board, words


def _when(time: datetime) -> Markup:
    """A time that script rewrites in the viewer's own zone and language."""
    return Markup('<time datetime="{}">{}</time>').format(utc_text(time), words.stamp(time))


def _about(time: datetime) -> Markup:
    """A finish, to the hour: here of UTC, and where script runs of the viewer's own zone."""
    shown = words.stamp(to_the_hour(time, UTC))
    return Markup('<time class="hour" datetime="{}">{}</time>').format(utc_text(time, "seconds"), shown)


def _day(time: datetime) -> Markup:
    return Markup('<time class="day" datetime="{}">{}</time>').format(utc_text(time), words.day(time))


_STAMP = re.compile(r"\b(\d{4}-\d\d-\d\d[ T]\d\d:\d\d)(?::\d\d)?(?:Z| UTC)")


def _timed(sentence: str) -> Markup:
    """A sentence whose times in UTC become times that script rewrites."""
    pieces = _STAMP.split(sentence)
    return Markup("").join(_when_of(piece) if place % 2 else piece for place, piece in enumerate(pieces))


def _when_of(stamp: str) -> Markup | str:
    try:
        return _when(datetime.fromisoformat(stamp).replace(tzinfo=UTC))
    except ValueError:  # digits that only look like a time
        return f"{stamp} UTC"


def _environment() -> Environment:
    templates = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        auto_reload=False,  # an upgrade changes them under a service that still runs the old code
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.filters.update(when=_when, about=_about, day=_day, iso=utc_text, timed=_timed, sentence=words.capital)
    templates.globals.update(
        words=words,
        counted=counted,
        own_url=assets.own_url,
        chart_urls=assets.chart_urls,
        advice_on=advice_on,
        in_words=in_words,
        board=board,
    )
    return templates


_TEMPLATES = _environment()


def render(name: str, status: int = HTTPStatus.OK, **values: object) -> HTMLResponse:
    """The page that the template `name` makes of `values`."""
    return HTMLResponse(_TEMPLATES.get_template(name).render(values), status)


def form_status(*, asked: bool, failed: bool = False) -> HTTPStatus:
    """Of a form that is shown again: something in it was `asked` about, or it could not be kept."""
    if failed:
        return HTTPStatus.SERVICE_UNAVAILABLE
    return HTTPStatus.UNPROCESSABLE_ENTITY if asked else HTTPStatus.OK


# The words of the protocol are a programmer's.
_TITLES = {
    HTTPStatus.NOT_FOUND: "Not found",
    HTTPStatus.CONFLICT: "This can no longer be done",
    HTTPStatus.FORBIDDEN: "Not allowed",
    HTTPStatus.SERVICE_UNAVAILABLE: "This cannot be done now",
    HTTPStatus.INTERNAL_SERVER_ERROR: "Something went wrong",
}
_BATCH = re.compile(r"/batches/[^/]+(?=/)")


def error_page(problem: HTTPException, path: str, *, batch_exists: bool) -> HTMLResponse:
    """The page for an error at the address `path`: one sentence, and the way back."""
    status = HTTPStatus(problem.status_code)
    batch = _BATCH.match(path) if batch_exists else None
    page = render(
        "error.html",
        status,
        title=_TITLES.get(status, "This cannot be done this way"),
        sentence=problem.detail,
        batch_path=batch.group() if batch else "",
    )
    page.headers.update(problem.headers or {})
    return page
