"""A calibration in progress: which solutions, which points are taken. A value that survives a restart. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from calibration.settling import Settling, reference_point
from calibration.solution import GREATEST_GRAVITY_SG
from gylewatch.errors import CalibrationError, InputError, TooEarly
from gylewatch.values import FloatId, Reference, check_name, utc_text

FORMAT = "gylewatch-calibration-1"
FEWEST_SOLUTIONS, MOST_SOLUTIONS = 3, 20
USUAL_GRAVITIES_SG = (1.000, 1.020, 1.040, 1.060, 1.080)  # water to above most original gravities, evenly spread
_LIGHTEST_SG = 0.990


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """One reference solution and the float's point in it, once taken."""

    gravity_sg: float  # SG 20/20 °C as made
    gravity_sd_sg: float | None = None
    point: Reference | None = None
    taken: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One float's calibration in progress. Places count from 1, as a person says them."""

    float_id: FloatId
    begun: datetime
    solutions: tuple[Solution, ...]

    @property
    def references(self) -> tuple[Reference, ...]:
        """The points taken so far."""
        return tuple(solution.point for solution in self.solutions if solution.point is not None)

    @property
    def next_place(self) -> int | None:
        """The first solution without a point; None: all are taken."""
        return next((place for place, one in enumerate(self.solutions, start=1) if one.point is None), None)


def begin(
    float_id: FloatId, gravities_sg: Sequence[float], *, begun: datetime, gravity_sd_sg: float | None = None
) -> Session:
    """Start a calibration with these solutions.

    Parameters
    ----------
    gravities_sg : SG 20/20 °C, at least three, no two alike; best from water to above the original gravity
    gravity_sd_sg : standard uncertainty of each; None: not known

    Raises
    ------
    InputError
        There are too few or too many, two are alike, or one is no gravity of a solution.
    """
    if not FEWEST_SOLUTIONS <= len(gravities_sg) <= MOST_SOLUTIONS:
        raise InputError(
            "set of solutions",
            f"{len(gravities_sg)} given; a curve needs {FEWEST_SOLUTIONS} to {MOST_SOLUTIONS}, best five from water to "
            "above the original gravity",
        )
    session = Session(float_id=float_id, begun=begun, solutions=())
    for gravity_sg in gravities_sg:
        session = add(session, gravity_sg, gravity_sd_sg=gravity_sd_sg)
    return session


def add(session: Session, gravity_sg: float, *, gravity_sd_sg: float | None = None) -> Session:
    """One solution more. Errors as in `begin`."""
    if not _LIGHTEST_SG <= gravity_sg <= GREATEST_GRAVITY_SG:
        raise InputError(
            "set of solutions",
            f"{gravity_sg:g} is no gravity of a reference solution; enter SG between {_LIGHTEST_SG:.3f} and "
            f"{GREATEST_GRAVITY_SG:.3f}, not Brix, °P or points",
        )
    if any(abs(one.gravity_sg - gravity_sg) < 5e-5 for one in session.solutions):
        raise InputError("set of solutions", f"{gravity_sg:.4f} is in the set already; each must differ")
    if len(session.solutions) >= MOST_SOLUTIONS:
        raise InputError("set of solutions", f"{MOST_SOLUTIONS} solutions are enough for any curve")
    return replace(
        session, solutions=(*session.solutions, Solution(gravity_sg=gravity_sg, gravity_sd_sg=gravity_sd_sg))
    )


def take(session: Session, place: int, rest: Settling, *, taken: datetime) -> Session:
    """Keep the settled float's point at `place`, in the stead of one that was there.

    Raises
    ------
    InputError
        There is no such solution, or the float has not settled.
    """
    solution = _at(session, place)
    if not rest.settled:
        raise TooEarly(f"solution {place}", f"it is too early, the float has not settled: {rest.reason}")
    try:
        point = reference_point(
            rest, session.float_id, gravity_sg=solution.gravity_sg, gravity_sd_sg=solution.gravity_sd_sg
        )
    except ValueError as error:
        raise InputError(f"solution {place}", str(error)) from error
    return _with(session, place, replace(solution, point=point, taken=taken))


def redo(session: Session, place: int) -> Session:
    """Forget the point at `place`; the solution waits to be measured again. Raises `InputError`: no such solution."""
    return _with(session, place, replace(_at(session, place), point=None, taken=None))


def drop(session: Session, place: int) -> Session:
    """Take the solution at `place` out of the set. Raises `InputError`: no such solution."""
    _at(session, place)
    return replace(session, solutions=session.solutions[: place - 1] + session.solutions[place:])


def to_json(session: Session) -> dict[str, Any]:
    """The session as a JSON object; `from_json` gives an equal one back."""
    return {
        "format": FORMAT,
        "float": session.float_id,
        "begun": utc_text(session.begun),
        "solutions": [
            {
                "gravity_sg": one.gravity_sg,
                "gravity_sd_sg": one.gravity_sd_sg,
                "angle_deg": one.point and one.point.angle_deg,
                "angle_sd_deg": one.point and one.point.angle_sd_deg,
                "temperature_c": one.point and one.point.temperature_c,
                "taken": None if one.taken is None else utc_text(one.taken),
            }
            for one in session.solutions
        ],
    }


def from_json(document: Any) -> Session:
    """Read what `to_json` wrote.

    Raises
    ------
    CalibrationError
        It is no session, or damaged.
    """
    if not isinstance(document, Mapping) or document.get("format") != FORMAT:
        raise CalibrationError(f"this is no calibration in progress: its format must be {FORMAT!r}")
    try:
        float_id = FloatId(check_name("float", document["float"]))
        return Session(
            float_id=float_id,
            begun=_read(document["begun"]),
            solutions=tuple(_solution(float_id, one) for one in document["solutions"]),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise CalibrationError(f"the calibration in progress is damaged ({error}); begin it anew") from error


def _solution(float_id: FloatId, one: Mapping[str, Any]) -> Solution:
    gravity_sg, gravity_sd_sg = float(one["gravity_sg"]), one["gravity_sd_sg"]
    point = None
    if one["angle_deg"] is not None:
        point = Reference(
            float_id=float_id,
            angle_deg=float(one["angle_deg"]),
            gravity_sg=gravity_sg,
            temperature_c=float(one["temperature_c"]),
            angle_sd_deg=one["angle_sd_deg"],
            gravity_sd_sg=gravity_sd_sg,
        )
    if not math.isfinite(gravity_sg):
        raise ValueError("a gravity is no number")
    return Solution(
        gravity_sg=gravity_sg,
        gravity_sd_sg=gravity_sd_sg,
        point=point,
        taken=None if one["taken"] is None else _read(one["taken"]),
    )


def _at(session: Session, place: int) -> Solution:
    if not 1 <= place <= len(session.solutions):
        raise InputError(f"solution {place}", f"there is none; the set has {len(session.solutions)}")
    return session.solutions[place - 1]


def _with(session: Session, place: int, solution: Solution) -> Session:
    solutions = session.solutions
    return replace(session, solutions=(*solutions[: place - 1], solution, *solutions[place:]))


def _read(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)
