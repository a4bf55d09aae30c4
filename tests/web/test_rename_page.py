"""A float or vessel gets another name on the page, without script."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from gylewatch.errors import StorageError
from gylewatch.naming import HERE, Naming
from gylewatch.values import BatchId, FloatId
from storage.records import FloatRecord
from storage.store import Store
from tests.web import brewery
from tests.web.test_pages import OURS, text
from web.app import create_app
from web.settings import HttpSettings

FLOAT, VESSEL = "/floats/heron/rename", "/vessels/FV1/rename"
NAMING = Naming(
    places=(f"on the topic cellar/readings/{HERE}",),
    floats={"osprey": "[[ble.float]]"},
    vessels={"FV1": "[[mqtt.probe]]"},
)


@pytest.fixture
def named(store: Store) -> TestClient:
    """The page of a service with a configuration that names things."""
    app = create_app(
        store,
        clock=lambda: brewery.NOW,
        ingest=None,
        settings=HttpSettings(),
        health=brewery.all_is_well,
        naming=NAMING,
    )
    return TestClient(app)


def test_a_float_is_renamed_and_it_is_said_what_it_must_send(
    named: TestClient, store: Store, batch_id: BatchId
) -> None:
    assert f'href="{FLOAT}"' in named.get("/floats/heron/calibration").text
    question = text(named.get(FLOAT).text)
    assert "Harbour Pale is read again, which takes a moment; what was told is not told again." in question
    assert "What still comes under the old name is of an unknown float, and is not kept." in question

    answer = named.post(FLOAT, data={"name": " egret "}, headers=OURS)

    assert answer.url.path == "/floats/egret/rename"
    page = text(answer.text)
    assert "heron is called egret now; all that belongs to it went along." in page
    assert "Let it send egret in place of heron: on the topic cellar/readings/egret." in page
    assert "<form" not in answer.text
    assert store.batch(batch_id).batch.float_id == "egret"
    assert len(store.readings(FloatId("egret"))) == 118


def test_a_vessel_is_renamed_from_the_list_of_vessels(client: TestClient, store: Store, batch_id: BatchId) -> None:
    board = client.get("/").text
    assert "1 vessel: what is in it, and another name" in text(board)
    assert f'href="{VESSEL}"' in board
    assert "Its batches (Harbour Pale), and what its own probe measured, go along" in text(client.get(VESSEL).text)

    answer = client.post(VESSEL, data={"name": "Tank-1"}, headers=OURS)

    assert "FV1 is called Tank-1 now" in text(answer.text)
    assert "In batch files write Tank-1 from now on." in text(answer.text)
    assert store.batch(batch_id).batch.vessel == "Tank-1"


def test_a_float_that_is_known_by_its_address_needs_no_change(client: TestClient, store: Store) -> None:
    store.add_float(FloatRecord(float_id=FloatId("wren"), created=brewery.PITCHED, address="C0:FF:EE:00:00:01"))

    page = text(client.get("/floats/wren/rename").text)

    assert "known by its address C0:FF:EE:00:00:01, and nothing is to be changed at the float" in page
    assert "unknown float" not in page


@pytest.mark.parametrize(
    ("typed", "question"),
    [
        ("", "What shall it be called? The field is empty."),
        ("heron", "It is called heron already."),
        ("a/b", "Float name 'a/b' is not usable"),
        ("wren", "A float called 'wren' exists already; choose another name."),
    ],
)
def test_a_name_that_cannot_be_given_is_asked_about_and_stays(
    client: TestClient, store: Store, batch_id: BatchId, typed: str, question: str
) -> None:
    store.add_float(FloatRecord(float_id=FloatId("wren"), created=brewery.PITCHED))

    answer = client.post(FLOAT, data={"name": typed}, headers=OURS)

    assert answer.status_code == 422
    assert question in text(answer.text)
    assert f'value="{typed}" aria-invalid="true"' in answer.text
    assert store.batch(batch_id).batch.float_id == "heron"


@pytest.mark.parametrize(
    ("place", "new", "table"),
    [(VESSEL, "Tank-1", "[[mqtt.probe]]"), ("/floats/osprey/rename", "egret", "[[ble.float]]")],
)
@pytest.mark.usefixtures("batch_id")
def test_what_the_configuration_names_is_not_renamed_here(
    named: TestClient, store: Store, place: str, new: str, table: str
) -> None:
    store.add_float(FloatRecord(float_id=FloatId("osprey"), created=brewery.PITCHED))
    before = store.floats(), store.vessels()
    _, kind, old, _ = place.split("/")

    looked, sent = named.get(place), named.post(place, data={"name": new}, headers=OURS)

    assert (looked.status_code, sent.status_code) == (200, 422)
    said = f"It cannot be renamed here: the configuration names it, under {table}: stop the service, write "
    for page, called in ((looked, "NEW"), (sent, new)):
        assert f"{said}{called} there, then give gylewatch {kind[:-1]} rename {old} {called}" in text(page.text)
        assert "<button" not in page.text
    assert (store.floats(), store.vessels()) == before


def test_a_form_that_is_sent_twice_renames_once_and_says_so(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    first, second = (client.post(FLOAT, data={"name": "egret"}, headers=OURS) for _ in range(2))

    assert first.url == second.url
    assert "heron is called egret now" in text(second.text)
    assert store.float_ids() == {"egret"}


def test_a_page_of_a_renaming_that_was_taken_back_asks_again(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    store.add_float(FloatRecord(float_id=FloatId("wren"), created=brewery.PITCHED))

    for was in ("wren", "<b>", "heron"):
        page = client.get(FLOAT, params={"was": was})
        assert "<form" in page.text
        assert "is called" not in text(page.text)


def test_a_database_that_is_busy_is_said_so(
    client: TestClient, batch_id: BatchId, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*_: object) -> None:
        raise StorageError("the database is locked", retry=True)

    monkeypatch.setattr(Store, "rename_float", busy)

    answer = client.post(FLOAT, data={"name": "egret"}, headers=OURS)

    assert answer.status_code == 503
    assert "It is called heron as before: the database is locked." in text(answer.text)
    assert 'value="egret"' in answer.text


@pytest.mark.parametrize("place", [FLOAT, VESSEL])
def test_a_form_from_elsewhere_is_refused(client: TestClient, store: Store, batch_id: BatchId, place: str) -> None:
    answer = client.post(place, data={"name": "egret"}, headers={"Origin": "http://elsewhere.example"})

    assert answer.status_code == 403
    assert store.batch(batch_id).batch == brewery.harbour_pale()
    for nowhere in ("/floats/nowhere/rename", "/vessels/nowhere/rename"):
        assert client.get(nowhere).status_code == 404
        assert client.post(nowhere, data={"name": "elsewhere"}, headers=OURS).status_code == 404
