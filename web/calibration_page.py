"""The guided calibration of one float: what the terminal guides through, on a phone beside the solutions."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from http import HTTPStatus
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import Markup

from calibration import session as sessions
from calibration.curve import Curve
from calibration.session import USUAL_GRAVITIES_SG, Session
from gylewatch.bench import Bench, bench, fit_sentence
from gylewatch.curve_picture import RESIDUAL_HEADER, residual_rows
from gylewatch.errors import CalibrationError, InputError, NotFound
from gylewatch.values import FloatId, Reference, utc_text
from web import security
from web.bodies import read_form
from web.calibration_form import gravities_of, moment_of, number, place_of, sd_of, window_for
from web.context import Context
from web.fit_picture import FIT_NARROW, FIT_WIDE, draw_fit
from web.rendering import form_status, render
from web.typed import shown_again
from web.words import capital

_USUAL_STEPS = 12  # readings from which a float's usual interval is taken
_TEXT_LENGTH = 200
NOBODY = "someone at the page"


class _Pages:
    def __init__(self, context: Context) -> None:
        self._context = context

    def show(
        self,
        float_id: str,
        *,
        place: int | None = None,
        since: datetime | None = None,
        kept: int | None = None,
        problem: str = "",
        typed: Mapping[str, str] | None = None,
    ) -> HTMLResponse:
        """The page; `problem` is what was wrong with what was `typed`."""
        store, now = self._context.store, self._context.clock()
        the_bench = self._bench(float_id)
        session = store.calibration(the_bench.float_id)
        measured = place if session and place and place <= len(session.solutions) else None
        curves = store.curves(the_bench.float_id)
        return render(
            "calibration.html",
            form_status(asked=bool(problem)),
            float_id=the_bench.float_id,
            session=session,
            place=measured,
            since=since,
            rest=the_bench.rest(session, now, since=since) if session and measured else None,
            fit=_fit(the_bench, session) if session else None,
            curves=curves,
            current=_shown(curves[-1].curve, curves[-1].references) if curves and not session else None,
            kept=kept,
            problem=problem,
            typed=shown_again(typed or {}, (), ("sd_points", "gravity")),
            usual=" ".join(f"{gravity:.3f}" for gravity in USUAL_GRAVITIES_SG),
            fahrenheit=self._context.settings.fahrenheit,
        )

    def act(self, float_id: str, typed: Mapping[str, str]) -> Response:
        """Do what a button asks for; what a person got wrong is said above the page."""
        the_bench = self._bench(float_id)
        try:
            wanted = self._do(the_bench, typed)
        except (InputError, CalibrationError) as error:
            place = int(typed["place"]) if typed.get("place", "").isdecimal() else None
            sentence = str(error)
            return self.show(
                float_id,
                place=place if typed.get("action") == "take" else None,
                since=moment_of(typed.get("since", "")),
                problem=capital(sentence),
                typed=typed,
            )
        # See Other, so that loading the page again does not do it again.
        return RedirectResponse(f"{_address(the_bench.float_id)}{wanted}", HTTPStatus.SEE_OTHER)

    def _do(self, the_bench: Bench, typed: Mapping[str, str]) -> str:
        """Do it, and what the address goes on with."""
        now = self._context.clock()
        if typed.get("action") == "begin":
            gravities, sd_sg = gravities_of(typed.get("gravities", "")), sd_of(typed.get("sd_points", ""))
            the_bench.begin(gravities, gravity_sd_sg=sd_sg, begun=now)
            return ""
        session = the_bench.session()
        match typed.get("action"):
            case "measure":
                query = urlencode({"place": _there(session, place_of(typed)), "since": utc_text(now)})
                return f"?{query}#measure"
            case "accept":
                return f"?kept={_accept(the_bench, session, typed, now)}"
            case "reject":
                the_bench.forget()
                return ""
        the_bench.keep(_changed(the_bench, session, typed, now))
        return "#solutions"

    def _bench(self, float_id: str) -> Bench:
        store = self._context.store
        if float_id not in store.float_ids():
            raise NotFound("float", float_id[:63], "take it in on the page of the service first")
        return bench(store, float_id, window_for(store.readings(FloatId(float_id), limit=_USUAL_STEPS)))


def _changed(the_bench: Bench, session: Session, typed: Mapping[str, str], now: datetime) -> Session:
    match typed.get("action"):
        case "take":
            rest = the_bench.rest(session, now, since=moment_of(typed.get("since", "")))
            return sessions.take(session, place_of(typed), rest, taken=now)
        case "drop":
            return sessions.drop(session, place_of(typed))
        case "add":
            gravity = number(typed.get("gravity", "").strip(), "gravity")
            return sessions.add(session, gravity, gravity_sd_sg=_common_sd(session))
    raise InputError("calibration", "the form asks for nothing that can be done; open the page again")


def _there(session: Session, place: int) -> int:
    if not 1 <= place <= len(session.solutions):
        raise InputError(f"solution {place}", f"there is none; the set has {len(session.solutions)}")
    return place


def _common_sd(session: Session) -> float | None:
    """The uncertainty that all solutions were given, for one that is added."""
    given = {solution.gravity_sd_sg for solution in session.solutions}
    return given.pop() if len(given) == 1 else None


def _accept(the_bench: Bench, session: Session, typed: Mapping[str, str], now: datetime) -> int:
    if typed.get("points") != _fingerprint(session):
        raise InputError("curve", "a point has changed since this picture was drawn; look at the new one first")
    who = " ".join(typed.get("who", "").split())[:_TEXT_LENGTH] or NOBODY
    note = typed.get("note", "").strip()[:_TEXT_LENGTH]
    return the_bench.accept(session, the_bench.fit(session), who=who, note=note, created=now)


def _fingerprint(session: Session) -> str:
    """Changes with every point: what is accepted must be what was looked at."""
    return " ".join(f"{one.gravity_sg:.5f}:{one.angle_deg:.4f}" for one in session.references)


def _fit(the_bench: Bench, session: Session) -> dict[str, object] | None:
    """The fit for the template; None: too few points to try."""
    if len(session.references) < sessions.FEWEST_SOLUTIONS:
        return None
    try:
        curve = the_bench.fit(session)
    except CalibrationError as error:
        return {"refusal": str(error)}
    return _shown(curve, session.references) | {"points": _fingerprint(session)}


def _shown(curve: Curve, references: tuple[Reference, ...]) -> dict[str, object]:
    title = "The curve with its 80 % band, and how far the points lie from it; the numbers stand in the table below"
    drawn = (draw_fit(curve, references, sheet, title=title) for sheet in (FIT_NARROW, FIT_WIDE))
    return {
        "refusal": "",
        "pictures": Markup("".join(drawn)),  # noqa: S704  (the drawing escapes its texts itself)
        "header": RESIDUAL_HEADER,
        "rows": residual_rows(curve, references),
        "sentence": fit_sentence(curve),
        "excluded": curve.excluded_reasons,
    }


def _address(float_id: FloatId) -> str:
    return f"/floats/{float_id}/calibration"


def add_calibration(pages: APIRouter, context: Context) -> None:
    """The routes under ``/floats/<name>/calibration``."""
    made = _Pages(context)

    @pages.get("/floats/{float_id}/calibration")
    def calibration(
        float_id: str,
        place: Annotated[int | None, Query(ge=1, le=99)] = None,
        since: Annotated[str, Query(max_length=40)] = "",
        kept: Annotated[int | None, Query(ge=1)] = None,
    ) -> HTMLResponse:
        return made.show(float_id, place=place, since=moment_of(since), kept=kept)

    @pages.post("/floats/{float_id}/calibration", dependencies=[Depends(security.require_same_origin)])
    async def act(float_id: str, request: Request) -> Response:
        return await run_in_threadpool(made.act, float_id, await read_form(request))
