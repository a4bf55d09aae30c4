"""The page of the service: its health, floats that nobody has named yet, and a try of the notifications."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from gylewatch.errors import AlreadyExists, NotFound
from storage.records import HeardFloat
from web import security
from web.adopt_form import parse_adoption, sends_its_name
from web.bodies import read_form
from web.context import Context
from web.problems import Problem
from web.rendering import form_status, render
from web.trial import ChannelTrial
from web.typed import Question
from web.words import capital

_REFUSED_ROWS = 50
_DONE = {
    "adopted": "The float is known now; from here on its readings are kept.",
    "ignored": "It is not offered any more.",
    "offered": "It is offered again.",
}


class _Pages:
    def __init__(self, context: Context) -> None:
        self._context = context
        self._trial = threading.Lock()

    def show(
        self,
        *,
        done: str = "",
        trials: Sequence[ChannelTrial] = (),
        asked: tuple[str, Question] | None = None,
        typed: dict[str, str] | None = None,
    ) -> HTMLResponse:
        """The page; `asked` is the heard float's name and the question about what was typed."""
        store = self._context.store
        heard = store.heard_floats(with_ignored=True)
        return render(
            "service.html",
            form_status(asked=bool(asked)),
            health=self._context.health(),
            open_notices=store.open_notices(),
            rejected_counts=store.rejected_counts(),
            rejected=store.rejected(_REFUSED_ROWS),
            heard=[item for item in heard if not item.ignored],
            ignored=[item for item in heard if item.ignored],
            sends_its_name=sends_its_name,
            said=_DONE.get(done, ""),
            trials=trials,
            can_try=self._context.try_channels is not None,
            asked=asked,
            typed=typed or {},
            now=self._context.clock(),
            fahrenheit=self._context.settings.fahrenheit,
        )

    def take(self, typed: dict[str, str]) -> Response:
        """Adopt, ignore or offer again one float that was heard."""
        heard = self._heard(typed.get("heard", ""))
        action = typed.get("action")
        if action == "adopt":
            return self._adopt(heard, typed)
        if action not in ("ignore", "offer"):
            raise Problem(HTTPStatus.BAD_REQUEST, "the form asks for nothing that can be done; open the page again")
        self._context.store.ignore_heard(heard.name, ignored=action == "ignore")
        return _back("ignored" if action == "ignore" else "offered")

    def try_channels(self) -> HTMLResponse:
        """Send the test message; one try at a time, since a slow channel may take half a minute."""
        if self._context.try_channels is None:
            raise Problem(HTTPStatus.CONFLICT, "this service sends no notifications")
        if not self._trial.acquire(blocking=False):
            raise Problem(HTTPStatus.CONFLICT, "a test is on its way already; wait for its result")
        try:
            return self.show(trials=tuple(self._context.try_channels()))
        finally:
            self._trial.release()

    def _heard(self, name: str) -> HeardFloat:
        for item in self._context.store.heard_floats(with_ignored=True):
            if item.name == name:
                return item
        raise NotFound("unknown float", name[:63], "it is known already or was not heard for long; open the page again")

    def _adopt(self, heard: HeardFloat, typed: dict[str, str]) -> Response:
        parsed = parse_adoption(typed, heard, created=self._context.clock())
        if isinstance(parsed, Question):
            return self.show(asked=(heard.name, parsed), typed=typed)
        try:
            self._context.store.add_float(parsed)
        except AlreadyExists as error:
            sentence = str(error)
            question = Question(field="name", sentence=capital(sentence) + ".")
            return self.show(asked=(heard.name, question), typed=typed)
        return _back("adopted")


def _back(done: str) -> Response:
    # See Other, so that loading the page again does not do it again.
    return RedirectResponse(f"/service?done={done}#heard", HTTPStatus.SEE_OTHER)


def add_service(pages: APIRouter, context: Context) -> None:
    """The routes under ``/service``."""
    made = _Pages(context)
    ours = [Depends(security.require_same_origin)]

    @pages.get("/service")
    def service(done: Annotated[str, Query(max_length=20)] = "") -> HTMLResponse:
        return made.show(done=done)

    @pages.post("/service/heard", dependencies=ours)
    async def take_heard(request: Request) -> Response:
        return await run_in_threadpool(made.take, await read_form(request))

    @pages.post("/service/trial", dependencies=ours)
    def trial() -> Response:
        return made.try_channels()
