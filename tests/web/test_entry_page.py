"""A batch is started and changed on the page, without script."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from fastapi.testclient import TestClient

from gylewatch.errors import StorageError
from gylewatch.values import BatchId, FloatId, HandSettings, VesselId
from storage.records import FloatRecord, VesselRecord
from storage.store import Store
from tests.web import brewery
from tests.web.test_batch_form import GOOD
from tests.web.test_pages import OURS, text
from web.app import create_app
from web.settings import HttpSettings

QUAY = BatchId("quay-stout")


@pytest.fixture
def furnished(store: Store) -> Store:
    """A float and a vessel, and no batch."""
    store.add_float(FloatRecord(float_id=brewery.HERON, created=brewery.PITCHED))
    store.add_vessel(VesselRecord(vessel_id=VesselId("FV1"), created=brewery.PITCHED))
    return store


def selected(page: str, field: str) -> str:
    (select,) = re.findall(rf'<select id="{field}".*?</select>', page, flags=re.DOTALL)
    return "".join(re.findall(r'value="([^"]*)" selected', select))


def test_the_first_batch_is_started_from_the_empty_board(client: TestClient, furnished: Store) -> None:
    assert 'href="/start"' in client.get("/").text
    form = client.get("/start").text
    assert (selected(form, "float"), selected(form, "vessel")) == ("heron", "FV1")  # there is no other

    answer = client.post("/start", data=GOOD, headers=OURS)

    assert answer.url.path == "/batches/quay-stout"
    assert "The batch is watched from now on." in text(answer.text)
    assert "Float heron is not calibrated" in text(answer.text)
    record = furnished.batch(QUAY)
    assert (record.batch.name, record.batch.pitched, record.ended) == ("Quay Stout", brewery.NOW, None)
    assert 'href="/start"' in client.get("/").text


def test_its_samples_are_measured_with_the_brewery_s_instruments(furnished: Store) -> None:
    own = HandSettings(hydrometer_offset_sg=0.002)
    app = create_app(
        furnished,
        clock=lambda: brewery.NOW,
        ingest=None,
        settings=HttpSettings(),
        health=brewery.all_is_well,
        instruments=own,
    )

    TestClient(app).post("/start", data=GOOD, headers=OURS)

    assert furnished.batch(QUAY).batch.instruments == own


def test_a_float_and_a_vessel_may_be_named_for_the_first_time(client: TestClient, store: Store) -> None:
    typed = GOOD | {"float": "", "new_float": "wren", "vessel": "", "new_vessel": "FV2"}

    client.post("/start", data=typed, headers=OURS)

    assert store.batch(QUAY).batch.float_id == "wren"
    assert store.float_ids() == {"wren"}
    assert [each.vessel_id for each in store.vessels()] == ["FV2"]


def test_a_name_that_is_known_is_that_one_also_where_it_is_typed(client: TestClient, furnished: Store) -> None:
    client.post("/start", data=GOOD | {"float": "", "new_float": "heron"}, headers=OURS)

    assert furnished.batch(QUAY).batch.float_id == "heron"


def test_nothing_becomes_known_with_a_batch_that_is_refused(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    typed = GOOD | {"name": "Harbour  Pale", "new_float": "wren", "new_vessel": "FV2"}

    answer = client.post("/start", data=typed, headers=OURS)

    assert answer.status_code == 422
    assert "A batch called &#39;Harbour  Pale&#39; exists already; choose another name." in answer.text
    assert store.float_ids() == {"heron"}
    assert [each.vessel_id for each in store.vessels()] == ["FV1"]


@pytest.mark.parametrize("pitched", ["", "2026-03-02T18:30"])
def test_a_form_that_is_sent_twice_starts_one_batch_and_says_so(furnished: Store, pitched: str) -> None:
    times = iter(brewery.NOW + timedelta(seconds=second) for second in range(100))
    app = create_app(
        furnished, clock=lambda: next(times), ingest=None, settings=HttpSettings(), health=brewery.all_is_well
    )
    client = TestClient(app, follow_redirects=False)
    typed = GOOD | {"pitched": pitched}

    first, second = (client.post("/start", data=typed, headers=OURS) for _ in range(2))
    other = client.post("/start", data=typed | {"volume": "22"}, headers=OURS)

    assert first.status_code == second.status_code == 303
    assert first.headers["location"] == second.headers["location"] == "/batches/quay-stout?done=started"
    assert other.status_code == 422
    assert len(furnished.batches()) == 1
    furnished.end_batch(QUAY, brewery.NOW)
    assert client.post("/start", data=typed, headers=OURS).status_code == 422  # the beer of last time


def test_the_rise_that_was_computed_from_grams_stands_on_the_page(client: TestClient, furnished: Store) -> None:
    sugar = {"addition_1_time": "2026-03-09T10:00", "addition_1_grams": "300", "addition_1_label": "syrup"}

    page = client.post("/start", data=GOOD | sugar, headers=OURS).text

    assert "syrup, 300 g of sucrose: +5.2 points" in page
    form = client.get(f"/batches/{QUAY}/change").text
    assert re.search(r'id="addition_1_points"[^>]* value="5.2"', form)
    assert re.search(r'id="addition_1_grams"[^>]* value=""', form)


def test_what_was_typed_stays_with_the_questions(client: TestClient, furnished: Store) -> None:
    step = {"plan_1_from": "2026-03-12T08:00", "plan_1_low": "cold", "plan_1_high": "5", "plan_1_label": "<crash>"}

    answer = client.post("/start", data=GOOD | {"volume": "1,500", "temperature_high": "20,5"} | step, headers=OURS)

    assert answer.status_code == 422
    assert "Did you mean 1500 or 1.5?" in answer.text
    assert re.search(r'id="volume"[^>]* value="1,500" aria-invalid="true"', answer.text)
    assert re.search(r'id="temperature_high"[^>]* value="20.5"', answer.text)
    assert re.search(r'id="plan_1_low"[^>]* value="cold" aria-invalid="true"', answer.text)
    assert re.search(r'id="plan_1_label"[^>]* value="&lt;crash&gt;"', answer.text)
    assert "<details open><summary>Planned" in answer.text
    assert selected(answer.text, "float") == "heron"
    assert furnished.batches() == ()


@pytest.mark.parametrize(("fahrenheit", "keyboard"), [(False, "text"), (True, "decimal")])
def test_what_may_lie_below_zero_opens_a_keyboard_with_a_minus(
    furnished: Store, *, fahrenheit: bool, keyboard: str
) -> None:
    settings = HttpSettings(fahrenheit=fahrenheit)
    page = TestClient(brewery.application(furnished, settings=settings)).get("/start").text

    keyboards = dict(re.findall(r'<input id="(\w+)"[^>]* inputmode="(\w+)"', page))

    below_zero = {f"{name}_{end}" for name in ("temperature", "plan_1", "plan_2", "plan_3") for end in ("low", "high")}
    assert {keyboards[name] for name in below_zero} == {keyboard}  # -5 °C, the coldest that is wanted, is 23 °F
    assert {keyboards[name] for name in keyboards.keys() - below_zero} == {"decimal"}
    assert keyboards.keys() > {"volume", "original_gravity", "attenuation_low", "addition_1_points"}


def test_floats_and_vessels_of_active_batches_say_so(client: TestClient, store: Store, batch_id: BatchId) -> None:
    page = client.get("/start").text

    assert '<option value="heron" disabled>heron (in use: Harbour Pale)</option>' in page
    assert '<option value="FV1" disabled>FV1 (in use: Harbour Pale)</option>' in page
    assert "what is in use is free once that batch has ended" in page
    own = client.get(f"/batches/{batch_id}/change").text
    assert (selected(own, "float"), selected(own, "vessel")) == ("heron", "FV1")
    assert "in use" not in own
    store.end_batch(batch_id, brewery.NOW)
    assert "in use" not in client.get("/start").text


def test_a_batch_that_shares_its_vessel_since_an_older_version_can_be_changed(
    store: Store, batch_id: BatchId, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = brewery.harbour_pale("Quay Stout", "wren", "FV1")
    shared = replace(store.batch(batch_id), batch_id=QUAY, batch=other)
    monkeypatch.setattr(Store, "batches", lambda *_, **__: (store.batch(batch_id), shared))

    form = TestClient(brewery.application(store)).get(f"/batches/{batch_id}/change").text

    assert '<option value="FV1" selected>FV1 (in use: Quay Stout)</option>' in form


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({}, "Float 'heron' is in the active batch 'Harbour Pale'; end that batch first or choose another float."),
        (
            {"float": "curlew"},
            "Vessel 'FV1' holds the active batch 'Harbour Pale'; end that batch first or choose another vessel, and if "
            "that beer was moved, change its vessel first.",
        ),
        ({"float": "wren"}, "No float is called 'wren'"),
        ({"float": "curlew", "vessel": "FV9"}, "No vessel is called 'FV9'"),
    ],
)
def test_what_the_store_refuses_is_asked_about_in_its_words(
    client: TestClient, store: Store, batch_id: BatchId, changes: dict[str, str], sentence: str
) -> None:
    store.add_float(FloatRecord(float_id=FloatId("curlew"), created=brewery.PITCHED))

    answer = client.post("/start", data=GOOD | changes, headers=OURS)

    assert answer.status_code == 422
    assert sentence in text(answer.text).replace("&#39;", "'")
    assert [record.batch_id for record in store.batches()] == [batch_id]


def test_what_is_hardly_meant_is_kept_once_it_is_confirmed(client: TestClient, furnished: Store) -> None:
    hot = GOOD | {"temperature_low": "45", "temperature_high": "50"}

    asked = client.post("/start", data=hot, headers=OURS)
    assert asked.status_code == 422
    assert 'name="sure"' in asked.text
    assert furnished.batches() == ()
    client.post("/start", data=hot | {"sure": "1"}, headers=OURS)

    assert furnished.batch(QUAY).batch.temperature_c == (45.0, 50.0)


def test_a_float_that_lay_in_another_beer_after_pitching_is_asked_about(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    store.end_batch(batch_id, brewery.NOW - timedelta(hours=1))
    early = GOOD | {"pitched": "2026-03-08T09:00"}

    asked = client.post("/start", data=early, headers=OURS)
    assert "Float heron lay in 'Harbour Pale' until 8 Mar 2026, 17:30 UTC, after this beer was pitched" in text(
        asked.text
    )
    assert store.batches() == (store.batch(batch_id),)
    client.post("/start", data=early | {"sure": "1"}, headers=OURS)

    assert store.batch(QUAY).batch.pitched < brewery.NOW
    address = f"/batches/{QUAY}/change"
    changed = client.post(address, data=shown(client.get(address).text) | {"volume": "22"}, headers=OURS)
    assert changed.url.path == f"/batches/{QUAY}"  # it was confirmed once


def test_a_float_that_came_out_of_another_beer_before_pitching_is_no_question(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    store.end_batch(batch_id, brewery.NOW - timedelta(hours=1))

    assert client.post("/start", data=GOOD, headers=OURS).url.path == f"/batches/{QUAY}"


def test_a_database_that_is_busy_loses_nothing_that_was_typed(
    client: TestClient, furnished: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*_: object, **__: object) -> None:
        raise StorageError("the database is locked", retry=True)

    monkeypatch.setattr(Store, "add_batch", busy)

    answer = client.post("/start", data=GOOD, headers=OURS)

    assert answer.status_code == 503
    assert "Nothing is kept: the database is locked. What you typed still stands here." in answer.text
    assert 'value="Quay Stout"' in answer.text


def test_a_change_takes_what_the_form_shows_and_leaves_the_rest(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    before = store.batch(batch_id).batch
    address = f"/batches/{batch_id}/change"
    assert f'href="{address}"' in client.get(f"/batches/{batch_id}").text
    fields = shown(client.get(address).text)

    same = client.post(address, data=fields, headers=OURS)
    step = {"plan_2_from": "2026-03-12T08:00", "plan_2_low": "2", "plan_2_high": "5", "plan_2_label": "cold crash"}
    changed = client.post(address, data=fields | step, headers=OURS)

    assert "Nothing was changed." in text(same.text)
    assert changed.url.path == f"/batches/{batch_id}"
    assert "The change is kept" in text(changed.text)
    after = store.batch(batch_id).batch
    assert replace(after, plan=before.plan) == before
    assert [each.label for each in after.plan] == ["rest", "cold crash"]


def shown(page: str) -> dict[str, str]:
    """What a browser would send of the form as it stands."""
    inputs = re.findall(r'<input[^>]* name="([^"]+)"[^>]* value="([^"]*)"', page)
    return dict(inputs) | {field: selected(page, field) for field in ("float", "vessel")}


def test_another_wanted_range_since_pitching_is_asked_about(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    address = f"/batches/{batch_id}/change"
    fields = shown(client.get(address).text) | {"temperature_low": "16"}

    asked = client.post(address, data=fields, headers=OURS)
    assert "The wanted temperature is what was wanted from pitching on, until the first step" in text(asked.text)
    assert store.batch(batch_id).batch.temperature_c == (18.0, 20.5)
    client.post(address, data=fields | {"sure": "1"}, headers=OURS)

    assert store.batch(batch_id).batch.temperature_c == (16.0, 20.5)


def test_a_change_that_is_sent_twice_is_no_change_elsewhere(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    address = f"/batches/{batch_id}/change"
    fields = shown(client.get(address).text) | {"name": "Harbour Bitter"}

    for _ in range(2):
        assert client.post(address, data=fields, headers=OURS).url.path == f"/batches/{batch_id}"

    assert store.batch(batch_id).batch.name == "Harbour Bitter"


def test_a_batch_that_was_changed_elsewhere_meanwhile_is_looked_at_once_more(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    address = f"/batches/{batch_id}/change"
    fields = shown(client.get(address).text) | {"name": "Harbour Bitter"}
    before = store.batch(batch_id)
    store.replace_batch(before, replace(before.batch, volume_l=20.0))

    asked = client.post(address, data=fields, headers=OURS)

    assert "The batch was changed elsewhere since this form was opened" in text(asked.text)
    assert "To keep this form now would change: name, volume. Look once more." in text(asked.text)
    assert store.batch(batch_id).batch.name == "Harbour Pale"
    again = client.post(address, data=shown(asked.text), headers=OURS)
    assert again.url.path == f"/batches/{batch_id}"
    assert store.batch(batch_id).batch.name == "Harbour Bitter"


class Meddling:
    """A clock that lets somebody else act once, after a form was taken and before it is kept."""

    def __init__(self, act: Callable[[], object]) -> None:
        self._acts = [act]

    def __call__(self) -> datetime:
        while self._acts:
            self._acts.pop()()
        return brewery.NOW


def test_a_change_at_the_same_moment_is_not_undone(client: TestClient, store: Store, batch_id: BatchId) -> None:
    address = f"/batches/{batch_id}/change"
    fields = shown(client.get(address).text) | {"name": "Harbour Bitter"}
    before = store.batch(batch_id)
    meddling = Meddling(lambda: store.replace_batch(before, replace(before.batch, volume_l=20.0)))

    asked = TestClient(brewery.application(store, clock=meddling)).post(address, data=fields, headers=OURS)

    assert asked.status_code == 422
    assert "To keep this form now would change: name, volume. Look once more." in text(asked.text)
    assert store.batch(batch_id).batch == replace(before.batch, volume_l=20.0)
    client.post(address, data=shown(asked.text) | {"volume": "20"}, headers=OURS)
    assert store.batch(batch_id).batch == replace(before.batch, volume_l=20.0, name="Harbour Bitter")


def test_the_same_change_at_the_same_moment_is_kept_once(client: TestClient, store: Store, batch_id: BatchId) -> None:
    address = f"/batches/{batch_id}/change"
    fields = shown(client.get(address).text) | {"volume": "20"}
    before = store.batch(batch_id)
    meddling = Meddling(lambda: store.replace_batch(before, replace(before.batch, volume_l=20.0)))

    answer = TestClient(brewery.application(store, clock=meddling)).post(address, data=fields, headers=OURS)

    assert (answer.status_code, answer.url.path) == (200, f"/batches/{batch_id}")


def test_a_batch_that_ends_at_the_same_moment_is_not_changed(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    address = f"/batches/{batch_id}/change"
    fields = shown(client.get(address).text) | {"volume": "20"}
    meddling = Meddling(lambda: store.end_batch(batch_id, brewery.NOW))

    answer = TestClient(brewery.application(store, clock=meddling)).post(address, data=fields, headers=OURS)

    assert answer.status_code == 422
    assert "what is over is not changed" in text(answer.text)
    assert store.batch(batch_id).batch.volume_l == 21.0


def test_a_batch_that_has_ended_is_not_changed(client: TestClient, store: Store, batch_id: BatchId) -> None:
    address = f"/batches/{batch_id}/change"
    fields = shown(client.get(address).text)
    store.end_batch(batch_id, brewery.NOW - timedelta(hours=1))

    answers = [client.get(address), client.post(address, data=fields, headers=OURS)]

    assert [answer.status_code for answer in answers] == [422, 422]
    assert all("what is over is not changed" in text(answer.text) for answer in answers)
    assert f'href="{address}"' not in client.get(f"/batches/{batch_id}").text


@pytest.mark.parametrize("address", ["/start", "/batches/harbour-pale/change"])
def test_a_form_from_elsewhere_is_refused(client: TestClient, store: Store, batch_id: BatchId, address: str) -> None:
    answer = client.post(address, data=GOOD, headers={"Origin": "http://elsewhere.example"})

    assert answer.status_code == 403
    assert [record.batch.name for record in store.batches()] == ["Harbour Pale"]
