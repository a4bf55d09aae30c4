from __future__ import annotations

from dataclasses import replace

import pytest
from fastapi.testclient import TestClient

from alerts.alert import Severity
from alerts.notice import ServiceNotice
from gylewatch.values import FloatId
from storage.records import FloatRecord
from storage.store import Store
from tests.web import brewery
from tests.web.test_pages import OURS, text
from web.trial import ChannelTrial

ADDRESS = "AA:BB:CC:DD:EE:FF"
ADOPT = {"heard": ADDRESS, "action": "adopt", "name": "heron", "note": "the tall one"}


@pytest.fixture(autouse=True)
def heard(store: Store) -> None:
    values = {"angle_deg": 40.5, "temperature_c": 19.0, "battery_v": None}
    store.heard(ADDRESS, source="ble", time=brewery.PITCHED, rssi_dbm=-71, packets=1234, values=values)
    store.heard("magpie", source="mqtt", time=brewery.PITCHED, rssi_dbm=None, values={})


def test_a_float_that_is_heard_stands_there_with_signal_and_last_values(client: TestClient) -> None:
    page = text(client.get("/service").text)

    assert f"{ADDRESS} Bluetooth Heard 6 days ago, 1,234 packets since" in page
    assert "signal -71 dBm. Angle 40.5°. 19.0 °C." in page
    assert "magpie MQTT" in page


def test_a_float_is_taken_in_under_the_name_given(client: TestClient, store: Store) -> None:
    answer = client.post("/service/heard", data=ADOPT, headers=OURS)

    assert "The float is known now" in text(answer.text)
    assert store.floats() == (
        FloatRecord(float_id=FloatId("heron"), created=brewery.NOW, note="the tall one", address=ADDRESS),
    )
    assert [item.name for item in store.heard_floats()] == ["magpie"]


@pytest.mark.parametrize(("name", "why"), [("", "What shall the float be called?"), ("wren", "exists already")])
def test_a_name_that_cannot_be_given_is_asked_about_and_what_was_typed_stays(
    client: TestClient, store: Store, name: str, why: str
) -> None:
    store.add_float(FloatRecord(float_id=FloatId("wren"), created=brewery.PITCHED))

    answer = client.post("/service/heard", data=ADOPT | {"name": name}, headers=OURS)

    assert answer.status_code == 422
    assert why in text(answer.text)
    assert 'value="the tall one"' in answer.text
    assert store.float_ids() == {"wren"}


def test_a_neighbour_s_float_can_be_ignored_and_offered_again(client: TestClient, store: Store) -> None:
    client.post("/service/heard", data={"heard": "magpie", "action": "ignore"}, headers=OURS)
    assert [item.name for item in store.heard_floats()] == [ADDRESS]
    assert "1 ignored float" in text(client.get("/service").text)

    client.post("/service/heard", data={"heard": "magpie", "action": "offer"}, headers=OURS)

    assert {item.name for item in store.heard_floats()} == {ADDRESS, "magpie"}


@pytest.mark.parametrize(
    ("typed", "status"),
    [({"heard": "nobody", "action": "adopt"}, 404), ({"heard": "magpie", "action": "eat"}, 400), ({"heard": ""}, 404)],
)
def test_what_the_page_does_not_offer_is_refused(client: TestClient, typed: dict[str, str], status: int) -> None:
    assert client.post("/service/heard", data=typed, headers=OURS).status_code == status


@pytest.mark.parametrize("place", ["/service/heard", "/service/trial"])
def test_a_form_from_elsewhere_is_refused(client: TestClient, store: Store, place: str) -> None:
    answer = client.post(place, data=ADOPT, headers={"Origin": "http://elsewhere.example"})

    assert answer.status_code == 403
    assert store.float_ids() == frozenset()


def test_a_name_sent_by_a_stranger_is_only_text(client: TestClient, store: Store) -> None:
    store.heard('"><script>x</script>', source="mqtt", time=brewery.PITCHED, rssi_dbm=None, values={})

    assert "<script>x" not in client.get("/service").text


def test_a_test_message_says_what_became_of_it_on_each_channel(store: Store) -> None:
    trials = (ChannelTrial(channel="phone", problem=None), ChannelTrial(channel="mail", problem="no such mailbox"))
    client = TestClient(brewery.application(store, try_channels=lambda: trials))

    page = text(client.post("/service/trial", data={}, headers=OURS).text)

    assert "taken phone took the test message" in page
    assert "failed mail: no such mailbox" in page


def test_what_was_told_about_the_service_stands_there_in_full_with_times_for_script_to_rewrite(store: Store) -> None:
    told = ServiceNotice(
        time=brewery.PITCHED,
        cause="broker:cellar",
        severity=Severity.WARNING,
        title="No readings over <cellar>",
        text="It refuses <b>us</b>.\n\nSince 2026-03-02 18:30 UTC no readings arrive; at 2026-99-02 18:30Z none.",
    )
    store.add_notice(told, channels=[])
    health = replace(brewery.all_is_well(), brokers=("attic: connected since 2026-03-02 18:30Z",))

    page = TestClient(brewery.application(store, health=lambda: health)).get("/service").text

    assert "No readings over &lt;cellar&gt;" in page
    assert "<p>It refuses &lt;b&gt;us&lt;/b&gt;.</p>" in page
    time = '<time datetime="2026-03-02T18:30:00Z">2 Mar 2026, 18:30 UTC</time>'
    assert f"Since {time} no readings arrive; at 2026-99-02 18:30 UTC none." in page
    assert f"attic: connected since {time}" in page


def test_a_service_without_channels_says_how_to_get_one(client: TestClient) -> None:
    page = text(client.get("/service").text)
    assert "only programs that listen over MQTT: add a section [[notify]]" in page
    assert client.post("/service/trial", data={}, headers=OURS).status_code == 409
