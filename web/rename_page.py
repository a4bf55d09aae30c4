"""Another name for a float or a vessel: a page that says what goes along, and what is to be changed elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import escape

from gylewatch.errors import AlreadyExists, NotFound, StorageError
from gylewatch.naming import Named
from gylewatch.values import FloatId, VesselId, check_name, is_name
from web import security
from web.bodies import read_form
from web.context import Context
from web.rendering import form_status, render
from web.words import capital

_ANY = "NEW"  # stands for the new name until one is typed


class _Pages:
    def __init__(self, context: Context, what: Named) -> None:
        self._context = context
        self._what: Named = what

    def ask(
        self, name: str, *, was: str = "", typed: str = "", question: str = "", failed: bool = False
    ) -> HTMLResponse:
        """How it shall be called; `was` is how it was called until a moment ago."""
        store, naming = self._context.store, self._context.naming
        known = self._known()
        if name not in known:
            raise NotFound(self._what, name[:63], "it may have another name by now; see the list on the board")
        own = [
            record.batch.name
            for record in store.batches(active_only=True)
            if name == (record.batch.float_id if self._what == "float" else record.batch.vessel)
        ]
        address = known[name]
        renamed = is_name(was) and was not in known
        return render(
            "rename.html",
            form_status(asked=bool(question), failed=failed),
            what=self._what,
            called=name,
            was=was if renamed else "",
            to_change=naming.to_change(self._what, was, name, address=address) if renamed else (),
            why_not=naming.why_not_renamed(self._what, name, _ANY),
            batches=own,
            address=address,
            typed=typed,
            question=question,
        )

    def rename(self, name: str, typed: Mapping[str, str]) -> Response:
        """Call it as was typed."""
        new = typed.get("name", "").strip()
        known = self._known()
        if name not in known and new in known:  # the same form was sent twice
            return self._renamed(name, new)
        if question := self._question(name, new):
            return self.ask(name, typed=new, question=question)
        try:
            self._keep(name, new)
        except AlreadyExists as error:
            return self.ask(name, typed=new, question=f"{capital(str(error))}.")
        except StorageError as error:
            return self.ask(name, typed=new, question=f"It is called {name} as before: {error}.", failed=True)
        return self._renamed(name, new)

    def _question(self, name: str, new: str) -> str:
        """What is wrong with the new name as it was typed; empty: nothing."""
        if not new:
            return "What shall it be called? The field is empty."
        if new == name:
            return f"It is called {name} already."
        try:
            check_name(self._what, new)
        except ValueError as error:
            return f"{capital(str(error))}."
        why = self._context.naming.why_not_renamed(self._what, name, new)
        return f"It cannot be renamed here: {why}." if why else ""

    def _keep(self, name: str, new: str) -> None:
        if self._what == "float":
            self._context.store.rename_float(FloatId(name), FloatId(new))
        else:
            self._context.store.rename_vessel(VesselId(name), VesselId(new))

    def _known(self) -> Mapping[str, str | None]:
        """The names that there are, with the radio addresses of floats."""
        if self._what == "float":
            return {record.float_id: record.address for record in self._context.store.floats()}
        return {record.vessel_id: None for record in self._context.store.vessels()}

    def _renamed(self, name: str, new: str) -> Response:
        # See Other, so that loading the page again does not send the form again.
        return RedirectResponse(f"/{self._what}s/{escape(new)}/rename?was={escape(name)}", HTTPStatus.SEE_OTHER)


def add_rename(pages: APIRouter, context: Context) -> None:
    """The routes ``/floats/<name>/rename`` and ``/vessels/<name>/rename``."""
    _add(pages, _Pages(context, "float"), "/floats/{name}/rename")
    _add(pages, _Pages(context, "vessel"), "/vessels/{name}/rename")


def _add(pages: APIRouter, made: _Pages, address: str) -> None:
    @pages.get(address)
    def ask(name: str, was: Annotated[str, Query(max_length=63)] = "") -> HTMLResponse:
        return made.ask(name, was=was)

    @pages.post(address, dependencies=[Depends(security.require_same_origin)])
    async def rename(name: str, request: Request) -> Response:
        return await run_in_threadpool(made.rename, name, await read_form(request))
