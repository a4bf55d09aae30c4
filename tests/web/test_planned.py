from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from fastapi.testclient import TestClient

from gylewatch.values import Addition, PlanStep
from storage.store import Store
from tests.web import brewery
from web.planned import planned

DAY = timedelta(days=1)
BATCH = replace(
    brewery.harbour_pale(),
    plan=(
        PlanStep(start=brewery.PITCHED + 5 * DAY, temperature_c=(20.0, 22.5), label="rest"),
        PlanStep(start=brewery.PITCHED + 9 * DAY, temperature_c=(2.0, 5.0)),
    ),
    additions=(
        Addition(time=brewery.PITCHED + 6 * DAY, gravity_points=None, label="cherries"),
        Addition(time=brewery.PITCHED + 2 * DAY, gravity_points=6.0),
    ),
)


def test_plan_and_additions_stand_in_order_of_time() -> None:
    assert planned(BATCH, fahrenheit=False) == (
        (brewery.PITCHED + 2 * DAY, "an addition: +6.0 points"),
        (brewery.PITCHED + 5 * DAY, "rest: 20.0 to 22.5 °C wanted from then on"),
        (brewery.PITCHED + 6 * DAY, "cherries: rise not known"),
        (brewery.PITCHED + 9 * DAY, "another wanted temperature: 2.0 to 5.0 °C wanted from then on"),
    )


def test_on_a_screen_in_fahrenheit_the_steps_are_too() -> None:
    assert planned(BATCH, fahrenheit=True)[1][1] == "rest: 68.0 to 72.5 °F wanted from then on"


def test_the_page_lists_them_and_says_what_is_to_come(client: TestClient, store: Store) -> None:
    batch_id = brewery.add_batch(store, BATCH)

    page = client.get(f"/batches/{batch_id}").text

    listed = page[page.index('id="planned-title"') :].split("</ul>", 1)[0]
    lines = [line for line in listed.splitlines() if line.startswith("<li>")]
    assert ["(to come)" in line for line in lines] == [False, False, False, True]  # it is the sixth day
    assert "cherries: rise not known" in lines[2]


def test_the_api_gives_additions_with_the_batch(client: TestClient, store: Store) -> None:
    batch_id = brewery.add_batch(store, BATCH)

    assert client.get(f"/api/v1/batches/{batch_id}").json()["additions"] == [
        {"time": "2026-03-08T18:30:00Z", "gravity_points": None, "label": "cherries"},
        {"time": "2026-03-04T18:30:00Z", "gravity_points": 6.0, "label": ""},
    ]
