from __future__ import annotations

import re
from datetime import datetime, timedelta

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from gylewatch.values import FloatId
from storage.records import FloatRecord
from storage.store import Store
from tests.web import brewery
from tests.web.bench_data import ANGLES_DEG, GRAVITIES_SG, swim
from tests.web.test_pages import OURS, calibrate, text

HERON = brewery.HERON
PLACE = "/floats/heron/calibration"


class Bench:
    """A person with a phone at the solutions; time passes when they say so."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.now: datetime = brewery.NOW
        self.client = TestClient(brewery.application(store, clock=lambda: self.now))

    def look(self, query: str = "") -> str:
        return text(self.client.get(PLACE + query).text)

    def press(self, action: str, **typed: str) -> Response:
        answer: Response = self.client.post(PLACE, data={"action": action, **typed}, headers=OURS)
        return answer

    def begin(self) -> None:
        assert self.press("begin", gravities=" ".join(map(str, GRAVITIES_SG)), sd_points="0.3").status_code == 200

    def put_in(self, place: int) -> str:
        """Put the float into a solution and say so; gives the moment that the page remembers."""
        answer = self.press("measure", place=str(place))
        return str(answer.url.params["since"])

    def measure(self, place: int, angle_deg: float) -> None:
        since = self.put_in(place)
        self.now += timedelta(minutes=2)
        swim(self.store, HERON, self.now, angle_deg)
        assert self.press("take", place=str(place), since=since).status_code == 200

    def measure_all(self) -> None:
        self.begin()
        for place, gravity in enumerate(GRAVITIES_SG, start=1):
            self.measure(place, ANGLES_DEG[gravity])

    def accept(self, **typed: str) -> Response:
        page = self.client.get(PLACE).text
        points = re.search(r'name="points" value="([^"]+)"', page)
        assert points is not None
        return self.press("accept", points=points[1], **typed)


@pytest.fixture
def bench(store: Store) -> Bench:
    store.add_float(FloatRecord(float_id=HERON, created=brewery.PITCHED))
    return Bench(store)


def test_a_calibration_begins_with_its_solutions(bench: Bench) -> None:
    assert 'value="1.000 1.020 1.040 1.060 1.080"' in bench.client.get(PLACE).text

    bench.begin()

    page = bench.look()
    assert "1: 1.0000 to be measured" in page
    assert "4: 1.0600 to be measured" in page
    assert "Three points are needed" in page


@pytest.mark.parametrize(
    ("gravities", "why"),
    [
        ("1.0 1.03", "2 given; a curve needs 3"),
        ("1,0,1,03,1,06", "is not one number; put spaces"),
        ("0 12 20", "not Brix, °P"),
    ],
)
def test_solutions_that_cannot_be_are_asked_about_and_stay_typed(bench: Bench, gravities: str, why: str) -> None:
    answer = bench.press("begin", gravities=gravities)

    assert answer.status_code == 422
    assert why.lower() in text(answer.text).lower()
    assert f'value="{gravities}"' in answer.text
    assert bench.store.calibration(HERON) is None


def test_the_page_says_whether_the_float_has_settled(bench: Bench) -> None:
    bench.begin()
    since = bench.put_in(1)
    assert "not yet No reading yet" in bench.look(f"?place=1&since={since}")

    bench.now += timedelta(minutes=2)
    swim(bench.store, HERON, bench.now, 25.0, swing_deg=2.0)
    assert "not yet The angle spreads by" in bench.look(f"?place=1&since={since}")
    bench.now += timedelta(minutes=4)
    swim(bench.store, HERON, bench.now, 25.0)

    assert "settled Settled at 25.00°" in bench.look(f"?place=1&since={since}")


def test_what_the_float_said_before_it_was_put_in_does_not_count(bench: Bench) -> None:
    bench.begin()
    swim(bench.store, HERON, bench.now - timedelta(seconds=1), 40.0)

    since = bench.put_in(1)

    assert "No reading yet" in bench.look(f"?place=1&since={since}")


def test_a_point_is_not_taken_before_the_float_has_settled(bench: Bench) -> None:
    bench.begin()
    since = bench.put_in(1)

    answer = bench.press("take", place="1", since=since)

    assert answer.status_code == 422
    assert "the float has not settled: no reading yet" in text(answer.text)
    assert "Solution 1 of 4" in text(answer.text)


def test_points_are_taken_one_by_one_and_survive_a_restart(bench: Bench) -> None:
    bench.begin()
    bench.measure(1, 25.0)

    after = Bench(bench.store)

    assert "1: 1.0000 25.00° ± 0.0" in after.look()
    assert "2: 1.0200 to be measured" in after.look()


def test_a_point_can_be_measured_again_left_out_and_another_added(bench: Bench) -> None:
    bench.begin()
    bench.measure(1, 25.0)
    bench.measure(1, 25.8)
    bench.press("drop", place="2")
    bench.press("add", gravity="1.090")

    session = bench.store.calibration(HERON)

    assert session is not None
    assert [one.gravity_sg for one in session.solutions] == [1.000, 1.040, 1.060, 1.090]
    assert session.references[0].angle_deg == pytest.approx(25.8, abs=0.02)
    assert {one.gravity_sd_sg for one in session.solutions} == {0.0003}


def test_the_fit_is_shown_with_its_picture_and_kept_only_when_it_is_accepted(bench: Bench) -> None:
    bench.measure_all()

    page = bench.client.get(PLACE).text
    assert page.count('<svg class="picture') == 2
    assert page.count('<circle class="point"') == 2 * 2 * 4  # two sizes; at the curve and among the residuals
    assert "4 solutions give a" in text(page)
    assert bench.store.curves(HERON) == ()
    answer = bench.accept(who="Ada", note="new battery")

    assert "Kept as version 1." in text(answer.text)
    assert answer.text.index("Current curve: version 1") < answer.text.index("Calibrate again")
    assert " deg" not in text(answer.text)
    (record,) = bench.store.curves(HERON)
    assert (record.who, record.note, len(record.references)) == ("Ada", "new battery", 4)
    assert float(record.curve.evaluate([40.0])[0][0]) == pytest.approx(1.020, abs=0.001)  # type: ignore[arg-type]
    assert bench.store.calibration(HERON) is None


def test_a_fit_that_was_not_looked_at_is_not_accepted(bench: Bench) -> None:
    bench.measure_all()
    seen = re.search(r'name="points" value="([^"]+)"', bench.client.get(PLACE).text)
    assert seen is not None
    bench.measure(4, 61.0)

    answer = bench.press("accept", points=seen[1])

    assert answer.status_code == 422
    assert "a point has changed since this picture was drawn" in text(answer.text)
    assert bench.store.curves(HERON) == ()


def test_points_that_bear_no_curve_are_told_why(bench: Bench) -> None:
    bench.begin()
    for place, angle in enumerate((40.0, 40.0, 40.0, 40.0), start=1):
        bench.measure(place, angle)

    page = bench.look()

    assert "No curve: " in page
    assert bench.press("accept", points="").status_code == 422


def test_a_rejected_calibration_is_forgotten_and_the_old_curve_stays(bench: Bench) -> None:
    calibrate(bench.store)
    bench.measure_all()

    bench.press("reject")

    assert bench.store.calibration(HERON) is None
    assert "Current curve: version 1" in bench.look()


def test_a_calibration_already_in_progress_is_not_begun_over(bench: Bench) -> None:
    bench.begin()
    bench.measure(1, 25.0)

    assert bench.press("begin", gravities="1.0 1.05 1.1").status_code == 422
    assert "1: 1.0000 25.00°" in bench.look()


@pytest.mark.parametrize("typed", [{"action": "take"}, {"action": "drop", "place": "9"}, {"action": "boil"}])
def test_what_the_page_does_not_offer_is_refused(bench: Bench, typed: dict[str, str]) -> None:
    bench.begin()

    assert bench.client.post(PLACE, data=typed, headers=OURS).status_code == 422


def test_an_unknown_float_and_a_form_from_elsewhere_are_refused(bench: Bench) -> None:
    stranger = {"Origin": "http://elsewhere.example"}

    assert bench.client.get("/floats/nobody/calibration").status_code == 404
    assert bench.client.post(PLACE, data={"action": "begin"}, headers=stranger).status_code == 403


def test_a_calibration_without_a_session_tells_that_it_is_gone(bench: Bench) -> None:
    assert bench.press("measure", place="1").status_code == 404


def test_the_board_leads_to_each_float_s_calibration(bench: Bench) -> None:
    bench.store.add_float(FloatRecord(float_id=FloatId("wren"), created=brewery.PITCHED))

    assert 'href="/floats/wren/calibration"' in bench.client.get("/").text
