"""The API over a real database on disk."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient

from collector.packet import Fields, Packet, Reason, Refusal, Rejected, Source, rejected
from collector.senml import decode_senml, encode_senml_cbor, encode_senml_json
from gylewatch.errors import StorageError
from gylewatch.values import BatchId, FloatId, Reading
from storage.store import Store
from tests.storage.examples import without_strength_intervals
from tests.web import brewery
from web.ingest import IngestResult
from web.settings import HttpSettings

BEARER = {"Authorization": f"Bearer {brewery.TOKEN}"}
SENML_JSON = {"Content-Type": "application/senml+json"}


def storing(store: Store) -> Any:
    """An ingest that decodes with the real decoder and commits to the real store."""

    def ingest(packet: Packet) -> IngestResult:
        readings, refused = [], []
        for part in decode_senml(packet.origin, packet.payload, packet.received):
            if isinstance(part, Refusal):
                refused.append(rejected(packet, part))
            elif part.float_name not in store.float_ids():
                refused.append(rejected(packet, Refusal(reason=Reason.UNKNOWN_FLOAT, detail="not known; add it")))
            else:
                readings.append(_reading(part, packet))
        new = store.append_readings(readings)
        return IngestResult(accepted=new, duplicate=len(readings) - new, refused=tuple(refused))

    return ingest


def _reading(part: Fields, packet: Packet) -> Reading:
    return Reading(
        time=part.time or packet.received,
        float_id=FloatId(part.float_name),
        angle_deg=part.angle_deg,
        temperature_c=part.temperature_c,
    )


@pytest.fixture
def posting(store: Store, batch_id: BatchId) -> TestClient:
    return TestClient(brewery.application(store, ingest=storing(store)))


def problem(answer: Any, status: int) -> str:
    """The sentence of a problem document (RFC 9457) with this status."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    document = answer.json()
    assert document["status"] == status
    assert document["type"] == "about:blank"
    assert "Traceback" not in answer.text
    return str(document["detail"])


def test_a_batch_is_listed_with_the_contract_s_words_and_units(client: TestClient, batch_id: BatchId) -> None:
    (batch,) = client.get("/api/v1/batches").json()

    assert batch["batch_id"] == batch_id
    assert batch["float"] == "heron"
    assert batch["pitched"] == "2026-03-02T18:30:00Z"
    assert batch["temperature_c"] == [18.0, 20.5]


def test_estimates_come_in_order_of_time_within_the_period_asked_for(client: TestClient, batch_id: BatchId) -> None:
    period = {"since": "2026-03-03T00:30:00Z", "until": "2026-03-03T01:30:00Z"}

    rows = client.get(f"/api/v1/batches/{batch_id}/estimates", params=period).json()

    hours = [f"2026-03-03T{time}:00Z" for time in ("00:30", "00:45", "01:00", "01:15")]
    assert [row["time"] for row in rows] == hours


def test_limit_gives_the_newest_estimates(client: TestClient, batch_id: BatchId) -> None:
    rows = client.get(f"/api/v1/batches/{batch_id}/estimates?limit=2").json()

    assert [row["time"] for row in rows] == ["2026-03-07T16:15:00Z", "2026-03-07T16:30:00Z"]


@pytest.mark.parametrize("kind", ["estimates", "readings"])
def test_one_answer_is_bounded_and_the_bound_is_documented(
    client: TestClient, store: Store, batch_id: BatchId, kind: str
) -> None:
    store.append_readings([brewery.reading(hours / 60) for hours in range(2500)])
    store.save_outcomes(batch_id, estimates=[brewery.estimate(hours / 60) for hours in range(2500)])

    rows = client.get(f"/api/v1/batches/{batch_id}/{kind}").json()
    above = client.get(f"/api/v1/batches/{batch_id}/{kind}?limit=20001")
    described = client.get("/api/v1/openapi.json").text

    assert len(rows) == 2000
    assert "20000" in problem(above, 422)
    assert "2,000 if not given" in described


def test_attenuation_and_alcohol_of_old_estimates_have_no_interval(
    client: TestClient, store: Store, batch_id: BatchId
) -> None:
    newest = brewery.estimate(143.5)
    store.save_outcomes(batch_id, estimates=[without_strength_intervals(brewery.estimate(143.0)), newest])

    old, new = client.get(f"/api/v1/batches/{batch_id}/estimates?limit=2").json()

    for name in ("apparent_attenuation_low", "apparent_attenuation_high", "abv_low_percent", "abv_high_percent"):
        assert new[name] == getattr(newest, name)
        assert old[name] is None


def test_thinned_estimates_keep_a_lonely_extreme(client: TestClient, store: Store) -> None:
    batch_id = brewery.add_batch(store, brewery.harbour_pale())
    rows = list(brewery.estimates(250.0))
    rows[333] = brewery.estimate(333 * 0.25, temperature_c=31.5)
    store.save_outcomes(batch_id, estimates=rows)

    thinned = client.get(f"/api/v1/batches/{batch_id}/estimates?thin=50").json()

    assert len(thinned) <= 50
    assert max(row["temperature_c"] for row in thinned) == 31.5


def test_a_time_without_a_zone_is_refused(client: TestClient, batch_id: BatchId) -> None:
    answer = client.get(f"/api/v1/batches/{batch_id}/estimates?since=2026-03-03T00:30:00")

    assert "no time zone" in problem(answer, 422)


@pytest.mark.parametrize("parameter", ["since=0001-01-01T00:00:00%2B14:00", "until=9999-12-31T23:00:00-14:00"])
def test_a_time_that_no_calendar_holds_in_utc_is_refused(client: TestClient, batch_id: BatchId, parameter: str) -> None:
    answer = client.get(f"/api/v1/batches/{batch_id}/estimates?{parameter}")

    assert "outside the years" in problem(answer, 422)


def test_readings_of_a_batch_start_at_its_pitching(client: TestClient, store: Store, batch_id: BatchId) -> None:
    store.append_readings([brewery.reading(-5.0)])

    rows = client.get(f"/api/v1/batches/{batch_id}/readings").json()

    assert rows[0]["time"] == "2026-03-02T18:30:00Z"
    assert rows[0]["float"] == "heron"
    assert len(rows) == 118


def test_alerts_carry_their_evidence(client: TestClient, batch_id: BatchId) -> None:
    started, warm = client.get(f"/api/v1/batches/{batch_id}/alerts").json()

    assert started["kind"] == "fermentation-started"
    assert warm["evidence"] == {"temperature_c": 22.7, "wanted_high_c": 22.5}
    assert warm["resolves"] is None


def test_the_graph_is_thinned_for_a_screen_and_shows_the_corrected_sample(client: TestClient, store: Store) -> None:
    batch_id = brewery.fill(store, hours=500.0)

    graph = client.get(f"/api/v1/batches/{batch_id}/graph").json()

    assert len(graph["time"]) <= 1500
    assert graph["time"][-1] == "2026-03-23T14:30:00Z"
    # Read at 19 °C on a scale true at 20 °C, a sample is up to half a point lighter once it is at 20 °C.
    assert 1.0270 < graph["samples"][0]["gravity_sg"] < 1.0280
    assert [wanted["temperature_c"] for wanted in graph["wanted"]] == [[18.0, 20.5], [20.0, 22.5]]


@pytest.mark.parametrize("part", ["", "/estimates", "/readings", "/alerts", "/samples", "/graph"])
def test_an_unknown_batch_is_named_in_the_problem(client: TestClient, part: str) -> None:
    answer = client.get(f"/api/v1/batches/nowhere{part}")

    assert "nowhere" in problem(answer, 404)


def test_floats_are_listed_with_their_newest_reading(client: TestClient, batch_id: BatchId) -> None:
    (heron,) = client.get("/api/v1/floats").json()

    assert heron["float"] == "heron"
    assert heron["last_heard"] == "2026-03-07T15:30:00Z"
    assert heron["battery_v"] == 3.84


def test_refused_packets_are_counted_and_kept_with_their_reason(client: TestClient, store: Store) -> None:
    refused = Rejected(
        received=brewery.NOW,
        source=Source.MQTT,
        origin="a/topic",
        reason=Reason.RETAINED,
        detail="is old",
        payload=b"x",
    )
    store.append_rejected([refused, refused])

    document = client.get("/api/v1/rejected").json()

    assert document["counts"] == {"retained": 2}
    assert [item["detail"] for item in document["newest"]] == ["is old", "is old"]


def test_health_says_what_the_service_says(client: TestClient) -> None:
    document = client.get("/api/v1/health").json()

    assert document["brokers"] == ["The broker at 127.0.0.1 is connected."]
    assert document["outbox"] == {"due": 1}


def test_the_openapi_document_describes_every_route(client: TestClient) -> None:
    paths = client.get("/api/v1/openapi.json").json()["paths"]

    assert {"/api/v1/readings", "/api/v1/batches/{batch_id}/samples", "/api/v1/health"} <= paths.keys()
    assert client.get("/docs").status_code == 404


@pytest.mark.parametrize("encode", [encode_senml_json, encode_senml_cbor])
def test_posted_readings_are_in_the_database_when_the_answer_comes(
    posting: TestClient, store: Store, encode: Any
) -> None:
    body = encode([brewery.reading(200.0), brewery.reading(201.0)])
    media = "application/senml+json" if encode is encode_senml_json else "application/senml+cbor"

    answer = posting.post("/api/v1/readings?float=heron", content=body, headers=BEARER | {"Content-Type": media})

    assert answer.status_code == 200, answer.text
    assert answer.json() == {"accepted": 2, "duplicate": 0, "refused": []}
    assert store.readings(brewery.HERON, limit=1)[0].time == brewery.PITCHED + timedelta(hours=201)


def test_the_base_name_names_the_float_where_the_address_does_not(posting: TestClient, store: Store) -> None:
    time = (brewery.PITCHED + timedelta(hours=300)).timestamp()
    pack = [
        {"bn": "urn:dev:ops:heron/", "bt": time, "n": "angle", "u": "deg", "v": 41.5},
        {"n": "temperature", "u": "Cel", "v": 19.0},
    ]

    answer = posting.post("/api/v1/readings", json=pack, headers=BEARER)

    assert answer.json()["accepted"] == 1
    assert store.readings(brewery.HERON, limit=1)[0].angle_deg == 41.5


def test_a_repeated_pack_is_a_duplicate_and_no_error(posting: TestClient) -> None:
    body = encode_senml_json([brewery.reading(200.0)])
    url, headers = "/api/v1/readings?float=heron", BEARER | SENML_JSON
    posting.post(url, content=body, headers=headers)

    answer = posting.post(url, content=body, headers=headers)

    assert answer.json() == {"accepted": 0, "duplicate": 1, "refused": []}


def test_a_pack_of_which_nothing_is_accepted_is_a_problem_that_says_why(posting: TestClient) -> None:
    body = encode_senml_json([brewery.reading(200.0)])

    answer = posting.post("/api/v1/readings?float=otter", content=body, headers=BEARER | SENML_JSON)

    assert "not known; add it" in problem(answer, 422)
    assert [item["reason"] for item in answer.json()["refused"]] == ["unknown-float"]


def test_a_pack_that_names_no_float_is_asked_for_one(posting: TestClient) -> None:
    pack = [{"n": "angle", "u": "deg", "v": 41.5}, {"n": "temperature", "u": "Cel", "v": 19.0}]

    answer = posting.post("/api/v1/readings", json=pack, headers=BEARER)

    assert "?float=NAME" in problem(answer, 422)


@pytest.mark.parametrize(
    "header", [None, "Bearer wrong-token-wrong-token", f"Basic {brewery.TOKEN}", "Bearer ", "Bearer ü"]
)
def test_readings_without_the_right_token_are_refused(posting: TestClient, store: Store, header: str | None) -> None:
    headers = SENML_JSON | ({} if header is None else {"Authorization": header.encode("latin-1")})

    answer = posting.post(
        "/api/v1/readings?float=heron", content=encode_senml_json([brewery.reading(200.0)]), headers=headers
    )

    assert "bearer token" in problem(answer, 401)
    assert answer.headers["www-authenticate"] == "Bearer"
    assert store.readings(brewery.HERON, limit=1)[0].time < brewery.PITCHED + timedelta(hours=200)


def test_without_a_configured_token_nothing_may_be_written(store: Store, batch_id: BatchId) -> None:
    client = TestClient(brewery.application(store, ingest=storing(store), settings=HttpSettings()))

    answer = client.post("/api/v1/readings?float=heron", content=b"[]", headers=BEARER | SENML_JSON)

    assert "set token" in problem(answer, 403)


def test_a_body_over_the_limit_is_refused_before_it_is_decoded(store: Store, batch_id: BatchId) -> None:
    seen: list[Packet] = []

    def ingest(packet: Packet) -> IngestResult:
        seen.append(packet)
        return IngestResult(accepted=0)

    settings = HttpSettings(token=brewery.TOKEN, max_body_bytes=1000)
    client = TestClient(brewery.application(store, ingest=ingest, settings=settings))

    answer = client.post("/api/v1/readings?float=heron", content=b"[" + b" " * 1000, headers=BEARER | SENML_JSON)

    assert "1,000 bytes" in problem(answer, 413)
    assert seen == []


def test_a_body_of_another_type_is_refused(posting: TestClient) -> None:
    answer = posting.post("/api/v1/readings?float=heron", content=b"x", headers=BEARER | {"Content-Type": "text/csv"})

    assert "SenML" in problem(answer, 415)


def test_a_database_that_is_locked_asks_to_try_again_later(store: Store, batch_id: BatchId) -> None:
    def ingest(packet: Packet) -> IngestResult:
        raise StorageError("the database is locked by another program", retry=True)

    client = TestClient(brewery.application(store, ingest=ingest))

    answer = client.post("/api/v1/readings?float=heron", content=b"[]", headers=BEARER | SENML_JSON)

    assert "locked" in problem(answer, 503)
    assert int(answer.headers["retry-after"]) > 0


def test_a_fault_of_ours_shows_a_sentence_and_no_traceback(store: Store, batch_id: BatchId) -> None:
    def ingest(packet: Packet) -> IngestResult:
        raise RuntimeError("secret inside")

    client = TestClient(brewery.application(store, ingest=ingest), raise_server_exceptions=False)

    answer = client.post("/api/v1/readings?float=heron", content=b"[]", headers=BEARER | SENML_JSON)

    assert "secret inside" not in answer.text
    assert "went wrong" in problem(answer, 500)
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_a_service_without_ingest_says_so(client: TestClient) -> None:
    answer = client.post("/api/v1/readings?float=heron", content=b"[]", headers=BEARER | SENML_JSON)

    assert "does not take readings" in problem(answer, 503)


def test_a_sample_can_be_posted_with_the_token(client: TestClient, store: Store, batch_id: BatchId) -> None:
    new = {"instrument": "hydrometer", "value": 1.020, "unit": "SG", "sample_temperature_c": 20.0}

    answer = client.post(f"/api/v1/batches/{batch_id}/samples", json=new, headers=BEARER)

    assert answer.status_code == 201, answer.text
    assert answer.json()["time"] == "2026-03-08T18:30:00Z"
    assert [sample.value for _, sample in store.samples(batch_id)] == [1.028, 1.020]


def test_a_sample_without_the_token_is_refused(client: TestClient, store: Store, batch_id: BatchId) -> None:
    new = {"instrument": "hydrometer", "value": 1.020, "unit": "SG", "sample_temperature_c": 20.0}

    answer = client.post(f"/api/v1/batches/{batch_id}/samples", json=new)

    assert "bearer token" in problem(answer, 401)
    assert len(store.samples(batch_id)) == 1


def test_a_posted_sample_with_two_decimal_marks_is_asked_about(client: TestClient, batch_id: BatchId) -> None:
    new = {"instrument": "hydrometer", "value": "1,020.5", "unit": "SG", "sample_temperature_c": 20.0}

    answer = client.post(f"/api/v1/batches/{batch_id}/samples", json=new, headers=BEARER)

    assert "more than one point or comma" in problem(answer, 422)
    assert answer.json()["questions"][0]["field"] == "value"


def test_a_body_of_the_wrong_shape_names_the_part(client: TestClient, batch_id: BatchId) -> None:
    answer = client.post(f"/api/v1/batches/{batch_id}/samples", json={"value": 1.02}, headers=BEARER)

    assert "body.instrument" in problem(answer, 422)


def test_the_token_is_not_shown_in_the_settings() -> None:
    assert brewery.TOKEN not in repr(HttpSettings(token=brewery.TOKEN))


def test_a_short_token_is_refused() -> None:
    with pytest.raises(ValueError, match="shorter than 16"):
        HttpSettings(token="hop")
