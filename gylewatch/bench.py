"""The calibration bench: one float's session, its live readings, and what is done with both."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from calibration import session as sessions
from calibration.curve import Curve
from calibration.fit import fit_curve
from calibration.session import Session
from calibration.settling import Settling, settling
from gylewatch.errors import InputError, NotFound
from gylewatch.units import POINT_SG, half_points
from gylewatch.values import FloatId
from gylewatch.window import LENGTH, newest_window
from storage.store import Store

SESSION_HEADER = ("place", "gravity", "angle", "spread", "at", "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """Where one float is calibrated. Every change of its session is saved before it is shown."""

    store: Store
    float_id: FloatId
    window: timedelta = LENGTH

    def session(self) -> Session:
        """The session in progress.

        Raises
        ------
        NotFound
            No calibration of this float is in progress.
        """
        found = self.store.calibration(self.float_id)
        if found is None:
            raise NotFound(
                "calibration in progress", self.float_id, f"begin one with: gylewatch calibrate begin {self.float_id}"
            )
        return found

    def begin(self, gravities_sg: tuple[float, ...], *, gravity_sd_sg: float | None, begun: datetime) -> Session:
        """Begin a session; `InputError` while another one is in progress."""
        if self.store.calibration(self.float_id) is not None:
            raise InputError(
                f"float {self.float_id}",
                "a calibration is in progress: go on with it, or end it with: gylewatch calibrate cancel "
                + self.float_id,
            )
        return self.keep(sessions.begin(self.float_id, gravities_sg, begun=begun, gravity_sd_sg=gravity_sd_sg))

    def keep(self, session: Session) -> Session:
        self.store.keep_calibration(session)
        return session

    def forget(self) -> None:
        self.store.forget_calibration(self.float_id)

    def rest(self, session: Session, now: datetime, *, since: datetime | None = None) -> Settling:
        """Whether the float rests now. What it said before the last point was taken is of another solution."""
        starts = [one.taken for one in session.solutions if one.taken is not None]
        if since is not None:
            starts.append(since)
        newest = newest_window(
            self.store, self.float_id, now, since=max(starts) if starts else None, length=self.window
        )
        return settling(newest)

    def fit(self, session: Session) -> Curve:
        """The curve through the points taken so far; `CalibrationError` says why there is none."""
        return fit_curve(session.references)

    def accept(self, session: Session, curve: Curve, *, who: str, note: str, created: datetime) -> int:
        """Keep the curve as a new version and end the session; returns the version."""
        version = self.store.add_curve(curve, session.references, who=who, note=note, created=created)
        self.forget()
        return version


def bench(store: Store, float_name: str, window: timedelta = LENGTH) -> Bench:
    """The bench of a known float; `NotFound` if it is not."""
    float_id = FloatId(float_name)
    if float_id not in store.float_ids():
        raise NotFound("float", float_name, "add it first with: gylewatch float add")
    return Bench(store=store, float_id=float_id, window=window)


def session_rows(session: Session) -> list[tuple[str, ...]]:
    """One row for each solution, for a table under `SESSION_HEADER`."""
    rows: list[tuple[str, ...]] = []
    for place, one in enumerate(session.solutions, start=1):
        point = one.point
        if point is None:
            rows.append((str(place), f"{one.gravity_sg:.4f}", "", "", "", "to be measured"))
            continue
        spread = "" if point.angle_sd_deg is None else f"± {point.angle_sd_deg:.2f} deg"
        rows.append(
            (
                str(place),
                f"{one.gravity_sg:.4f}",
                f"{point.angle_deg:.2f} deg",
                spread,
                f"{point.temperature_c:.1f} °C",
                "taken",
            )
        )
    return rows


_SHAPES: Final = {1: "a straight line", 2: "a curve that bends one way", 3: "a curve that may bend both ways"}
# A brewer sees the shape, and not the degree of a polynomial.


def fit_sentence(curve: Curve) -> str:
    """What was fitted, in one sentence."""
    used = len(curve.residuals_sg) - len(curve.excluded)
    shape = _SHAPES.get(curve.degree, "a curve with several bends")
    middle = curve.angle_low_deg + 0.5 * (curve.angle_high_deg - curve.angle_low_deg)
    return (
        f"{used} solutions give {shape} from {curve.angle_low_deg:.1f} to {curve.angle_high_deg:.1f} degrees; they lie "
        f"about {curve.residual_sd_sg / POINT_SG:.1f} points off it, and in its middle it is good to "
        f"± {_half_points(curve, middle):.1f} points, 8 times out of 10"
    )


def _half_points(curve: Curve, angle_deg: float) -> float:
    _, sd = curve.evaluate(np.array([angle_deg]))
    return half_points(float(sd[0]))
