"""A calibration in progress: taking, redoing, dropping, and surviving a restart."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from calibration.session import Session, add, begin, drop, from_json, redo, take, to_json
from calibration.settling import Settling, settling
from gylewatch.errors import CalibrationError, InputError
from gylewatch.values import FloatId, Reading

START = datetime(2026, 3, 1, 10, tzinfo=UTC)
HERON = FloatId("heron")


def rest(angle_deg: float, *, drift_deg: float = 0.0) -> Settling:
    return settling(
        [
            Reading(
                time=START + timedelta(seconds=10 * i),
                float_id=HERON,
                angle_deg=angle_deg + drift_deg * i / 6 + 0.05 * (-1) ** i,
                temperature_c=20.0,
            )
            for i in range(7)
        ]
    )


@pytest.fixture
def session() -> Session:
    return begin(HERON, (1.0, 1.03, 1.06), begun=START, gravity_sd_sg=0.0003)


def test_points_are_taken_one_after_the_other(session: Session) -> None:
    first = take(session, 1, rest(25.0), taken=START)

    assert (session.next_place, first.next_place) == (1, 2)
    assert first.references[0].angle_deg == pytest.approx(25.0, abs=0.02)
    assert first.references[0].gravity_sd_sg == 0.0003
    assert first.references[0].angle_sd_deg is not None
    assert first.references[0].angle_sd_deg > 0.0


def test_a_point_can_be_taken_again_or_forgotten(session: Session) -> None:
    taken = take(session, 2, rest(40.0), taken=START)

    again = take(taken, 2, rest(41.0), taken=START + timedelta(minutes=5))

    assert [point.angle_deg for point in again.references] == [pytest.approx(41.0, abs=0.02)]
    assert redo(again, 2).references == ()


def test_a_solution_can_be_dropped_and_another_added(session: Session) -> None:
    changed = add(drop(take(session, 1, rest(25.0), taken=START), 2), 1.08)

    assert [one.gravity_sg for one in changed.solutions] == [1.0, 1.06, 1.08]
    assert len(changed.references) == 1


def test_a_restart_gives_the_same_session_back(session: Session) -> None:
    going_on = take(session, 2, rest(40.0), taken=START + timedelta(seconds=90))

    assert from_json(json.loads(json.dumps(to_json(going_on)))) == going_on


def test_a_float_that_still_drifts_gives_no_point(session: Session) -> None:
    with pytest.raises(InputError, match="has not settled: the angle drifts"):
        take(session, 1, rest(25.0, drift_deg=1.0), taken=START)


@pytest.mark.parametrize(
    ("gravities", "why"),
    [
        ((1.0, 1.05), "2 given; a curve needs 3"),
        ((1.0, 1.05, 1.05), r"1\.0500 is in the set already"),
        ((1.0, 12.5, 1.05), "not Brix"),
        ((1.0, 1.04, 1.9), "no gravity of a reference solution"),
        (tuple(1.0 + i / 200 for i in range(21)), "21 given"),
    ],
)
def test_a_set_that_bears_no_curve_is_refused_before_anything_is_mixed(gravities: tuple[float, ...], why: str) -> None:
    with pytest.raises(InputError, match=why):
        begin(HERON, gravities, begun=START)


def test_a_place_that_is_not_there_is_named(session: Session) -> None:
    with pytest.raises(InputError, match="solution 4: there is none; the set has 3"):
        drop(session, 4)


@pytest.mark.parametrize("damage", [{"format": "other"}, {"float": "a/b"}, {"begun": 5}, {"solutions": [{}]}])
def test_a_damaged_session_is_said_to_be_so(session: Session, damage: dict[str, object]) -> None:
    with pytest.raises(CalibrationError, match="in progress"):
        from_json({**to_json(session), **damage})
