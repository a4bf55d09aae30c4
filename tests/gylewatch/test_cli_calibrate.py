"""The guided calibration, and its steps one by one, with a float that reports while the clock runs."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import count

import numpy as np
import pytest

from gylewatch.values import Reading
from storage.store import Store
from tests.gylewatch.workbench import HERON, Terminal, angle_of

STEP = timedelta(seconds=90)


class LiveFloat:
    """A clock on which 90 seconds pass at each look, and a float that reports every 10 of them."""

    def __init__(self, store: Store) -> None:
        self.gravity_sg: float | None = 1.0  # None: silent
        self.drift_deg = 0.0  # a look
        self._store = store
        self._time = datetime(2026, 3, 1, 10, tzinfo=UTC)
        self._generator = np.random.default_rng(7)
        self._looks = count()

    def now(self) -> datetime:
        look = next(self._looks)
        if self.gravity_sg is not None:
            self._store.append_readings([self._reading(second, look) for second in range(10, 91, 10)])
        self._time += STEP
        return self._time

    def _reading(self, second: int, look: int) -> Reading:
        assert self.gravity_sg is not None
        drift = self.drift_deg * (look + second / 90)
        return Reading(
            time=self._time + timedelta(seconds=second),
            float_id=HERON,
            angle_deg=angle_of(self.gravity_sg) + drift + float(self._generator.normal(0.0, 0.05)),
            temperature_c=20.0,
        )


@pytest.fixture
def live(workbench: Terminal, monkeypatch: pytest.MonkeyPatch) -> Iterator[LiveFloat]:
    with workbench.store() as store:
        a_float = LiveFloat(store)
        monkeypatch.setattr("gylewatch.cli_calibrate.now", a_float.now)
        yield a_float


def calibrate_all(workbench: Terminal, live: LiveFloat, gravities: tuple[float, ...]) -> None:
    """Every point in a run of its own, as if the machine restarted in between."""
    options = " ".join(f"--gravity {gravity}" for gravity in gravities)
    for place, gravity in enumerate(gravities):
        live.gravity_sg = gravity
        line = f"calibrate --float heron {options}" if place == 0 else "calibrate"
        done = workbench.type(line, answers=["", "y", "quit"])
        assert done.code == 0, done.err


def test_a_guided_session_survives_restarts_and_ends_in_a_new_version(workbench: Terminal, live: LiveFloat) -> None:
    calibrate_all(workbench, live, (1.0, 1.03, 1.06, 1.09))

    ended = workbench.type("calibrate --who Ada --note spring", answers=["", "y"])

    assert ended.code == 0, ended.err
    assert "going on with the calibration of heron" in ended.out
    assert "*  curve" in ended.out
    assert "off the curve" in ended.out
    assert "kept as version 2" in ended.out
    assert workbench.type("calibrate status heron").code == 2
    with workbench.store() as store:
        record = store.curves(HERON)[-1]
        assert (record.who, record.note, len(record.references)) == ("Ada", "spring", 4)
        # The law of the live float, known to the test alone: half a degree a point.
        assert record.curve.evaluate(np.array([angle_of(1.045)]))[0][0] == pytest.approx(1.045, abs=5e-4)


def test_the_live_readings_tell_when_the_float_has_settled(workbench: Terminal, live: LiveFloat) -> None:
    answer = workbench.type("calibrate --gravity 1.0 --gravity 1.03 --gravity 1.06", answers=["", "y", "quit"])

    assert re.search(r"settled at 2[45]\.\d\d° ± 0\.\d\d°, 20\.0 °C", answer.out)
    assert "Take this point for 1.0000?" in answer.out
    shown = workbench.type("calibrate status heron --json").json
    assert shown["solutions"][0]["angle_deg"] == pytest.approx(25.0, abs=0.1)
    assert shown["next_place"] == 2


def test_a_float_that_drifts_gives_no_point(workbench: Terminal, live: LiveFloat) -> None:
    live.drift_deg = 1.0

    answer = workbench.type(
        "calibrate --gravity 1.0 --gravity 1.03 --gravity 1.06 --patience-minutes 2", answers=["", "quit"]
    )

    assert "the angle drifts" in answer.out
    assert "not settled after 2 minutes" in answer.out
    assert workbench.type("calibrate status heron --json").json["next_place"] == 1


def test_readings_of_the_solution_before_do_not_count(workbench: Terminal, live: LiveFloat) -> None:
    workbench.type("calibrate begin heron --gravity 1.0 --gravity 1.03 --gravity 1.06")
    workbench.type("calibrate take heron")
    live.gravity_sg = None

    answer = workbench.type("calibrate take heron")

    assert answer.code == 1
    assert "it is too early" in answer.err
    assert "has not settled: no reading yet" in answer.err


def test_a_point_can_be_redone_dropped_and_another_solution_added(workbench: Terminal, live: LiveFloat) -> None:
    calibrate_all(workbench, live, (1.0, 1.03, 1.06))
    live.gravity_sg = 1.031

    answer = workbench.type("calibrate", answers=["redo 2", "y", "drop 3", "add 1.08", "quit"])

    assert answer.code == 0
    solutions = workbench.type("calibrate status heron --json").json["solutions"]
    assert [one["gravity_sg"] for one in solutions] == [1.0, 1.03, 1.08]
    assert solutions[1]["angle_deg"] == pytest.approx(angle_of(1.031), abs=0.1)
    assert solutions[2]["angle_deg"] is None


def test_a_curve_that_is_not_accepted_leaves_everything_as_it_was(workbench: Terminal, live: LiveFloat) -> None:
    calibrate_all(workbench, live, (1.0, 1.03, 1.06))

    answer = workbench.type("calibrate", answers=["fit", "n", "quit"])

    assert "nothing is saved" in answer.out
    assert workbench.type("calibrate status heron").code == 0
    with workbench.store() as store:
        assert len(store.curves(HERON)) == 1


def test_points_that_bear_no_curve_are_named_and_no_curve_is_saved(workbench: Terminal, live: LiveFloat) -> None:
    # One solution is 20 points off what its label says, so that the float falls where it should rise.
    workbench.type("calibrate begin heron --gravity 1.0 --gravity 1.03 --gravity 1.04")
    for gravity in (1.0, 1.03, 1.02):
        live.gravity_sg = gravity
        workbench.type("calibrate take heron")

    guided = workbench.type("calibrate", answers=["fit", "quit"])
    scripted = workbench.type("calibrate fit heron --accept")

    assert "no curve: the reference points are not in order" in guided.out
    assert scripted.code == 2
    assert "not in order" in scripted.err
    with workbench.store() as store:
        assert len(store.curves(HERON)) == 1


def test_one_point_twenty_points_off_is_named_and_not_used(workbench: Terminal, live: LiveFloat) -> None:
    workbench.type(
        "calibrate begin heron --gravity-sd-points 0.3 " + " ".join(f"--gravity {1 + i / 50}" for i in range(6))
    )
    for gravity in (1.0, 1.02, 1.06, 1.06, 1.08, 1.10):
        live.gravity_sg = gravity
        workbench.type("calibrate take heron")

    answer = workbench.type("calibrate fit heron")

    assert "point 3" in answer.out
    assert "measure it again" in answer.out
    assert "not used" in answer.out


def test_the_steps_also_serve_a_script(workbench: Terminal, live: LiveFloat) -> None:
    begun = workbench.type("calibrate begin heron --gravity 1.0 --gravity 1.03 --gravity 1.06 --json").json
    for gravity in (1.0, 1.03, 1.06):
        live.gravity_sg = gravity
        workbench.type("calibrate take heron --json")
    shown = workbench.type("calibrate fit heron --json").json
    kept = workbench.type("calibrate fit heron --accept --json").json

    assert begun["next_place"] == 1
    assert shown["version"] is None
    assert kept["version"] == 2
    assert kept["curve"] == shown["curve"]


def test_what_was_asked_is_asked_again_until_it_makes_sense(workbench: Terminal, live: LiveFloat) -> None:
    answer = workbench.type("calibrate", answers=["1.0 ten 1.06", "1.0 12 1.06", "1.0 1,03 1.06", "dance", "quit"])

    assert answer.code == 0
    assert "'ten' is not a plain number" in answer.out
    assert "is that Brix or °P?" in answer.out
    assert "'dance': is nothing that can be done here" in answer.out
    assert len(workbench.type("calibrate status heron --json").json["solutions"]) == 3


def test_a_session_in_progress_is_not_overwritten_but_can_be_cancelled(workbench: Terminal, live: LiveFloat) -> None:
    workbench.type("calibrate begin heron --gravity 1.0 --gravity 1.03 --gravity 1.06")

    again = workbench.type("calibrate --gravity 1.0 --gravity 1.02 --gravity 1.04")
    cancelled = workbench.type("calibrate cancel heron")

    assert again.code == 2
    assert "gylewatch calibrate cancel heron" in again.err
    assert cancelled.code == 0
    assert workbench.type("calibrate status heron").code == 2


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ("calibrate begin heron --gravity 1.0 --gravity 1.03", "2 given; a curve needs 3"),
        ("calibrate begin heron --gravity 1.0 --gravity 1.03 --gravity 1.03", "in the set already"),
        ("calibrate begin wren --gravity 1.0", "no float is called 'wren'"),
        ("calibrate --float heron --gravity 30", "are those points? as SG they are 1.030"),
        ("calibrate take heron", "no calibration in progress is called 'heron'"),
    ],
)
def test_a_set_or_float_that_cannot_be_is_refused(workbench: Terminal, live: LiveFloat, words: str, why: str) -> None:
    answer = workbench.type(words)

    assert answer.code == 2
    assert why in answer.err
