"""Every error of the API is one kind of document, in our words: what is wrong, where, and what to do."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest
from fastapi.testclient import TestClient

from gylewatch.values import BatchId
from storage.store import Store
from tests.web import brewery
from tests.web.test_api import BEARER, SENML_JSON, problem, storing
from web.settings import HttpSettings

SAMPLE = {"instrument": "hydrometer", "value": 1.020, "unit": "SG", "sample_temperature_c": 20.0}
SAMPLES = "/api/v1/batches/harbour-pale/samples"
JSON = {"Content-Type": "application/json"}
# What the libraries would say.
JARGON = (
    "Input should",
    "Field required",
    "valid integer",
    "Method Not Allowed.",
    "parsing",
    "decode error",
    "pydantic",
)


@pytest.fixture
def client(store: Store) -> TestClient:
    brewery.add_batch(store, brewery.harbour_pale())
    settings = HttpSettings(token=brewery.TOKEN, max_body_bytes=1000)
    return TestClient(brewery.application(store, ingest=storing(store), settings=settings))


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("/api/v1/rejected?limit=x", 'query.limit: must be a whole number; got "x"'),
        ("/api/v1/rejected?limit=1.5", "query.limit: must be a whole number"),
        ("/api/v1/rejected?limit=0", 'query.limit: must be 1 or more; got "0"'),
        ("/api/v1/rejected?limit=1001", "query.limit: must be 1000 or less"),
        ("/api/v1/batches?active=perhaps", "query.active: must be true or false"),
        (f"{SAMPLES[:-8]}/estimates?since=soon", "query.since: must be a time such as 2026-03-02T18:30:00Z"),
        (f"{SAMPLES[:-8]}/estimates?since=2026-03-02T18:30:00", "query.since: has no time zone; write UTC as"),
        (f"{SAMPLES[:-8]}/estimates?until=0001-01-01T00:00:00%2B14:00", "query.until: lies outside the years"),
        (f"{SAMPLES[:-8]}/estimates?thin=7&limit=0", "query.limit: must be 1 or more"),
        ("/api/v1/readings/posted", "query.float: is missing; add ?float= to the address"),
        (f"/api/v1/readings/posted?float={'x' * 64}", "query.float: must have at most 63 characters"),
    ],
)
def test_a_part_of_an_address_that_cannot_be_used_is_named(client: TestClient, query: str, said: str) -> None:
    answer = client.get(query, headers=BEARER)

    assert said in problem(answer, 422)
    assert {question["field"] for question in answer.json()["questions"]} <= {
        part.partition(": ")[0] for part in answer.json()["detail"].split("; ")
    }


@pytest.mark.parametrize(
    ("change", "field", "said"),
    [
        ({"value": None}, "body.value", "must be a number; got null"),
        ({"value": [1.02]}, "body.value", "must be a number; got [1.02]"),
        ({"unit": 5}, "body.unit", "must be a text, in quotes; got 5"),
        ({"tme": "2026-03-05T18:30Z"}, "body.tme", "is not known here; leave it out, or correct its name"),
        ({"\ud800": 1}, "body", 'must be a text, in quotes; got "\\ud800"'),
        ({"x" * 900: 1}, f"body.{'x' * 40}...", "is not known here"),
        ({"sample_temperature_c": ""}, "sample_temperature_c", "What is the temperature of the sample?"),
        ({"time": "soon"}, "time", "'soon' is not a time such as"),
        ({"instrument": "spoon"}, "instrument", "Which instrument was it: hydrometer"),
    ],
)
def test_a_part_of_a_sample_that_cannot_be_used_is_named_as_it_was_sent(
    client: TestClient, store: Store, change: dict[str, Any], field: str, said: str
) -> None:
    answer = client.post(SAMPLES, content=json.dumps(SAMPLE | change), headers=BEARER | JSON)

    assert said in problem(answer, 422)
    (question,) = answer.json()["questions"]
    assert question["field"] == field
    assert said in question["sentence"]
    assert store.samples(BatchId("harbour-pale")) == ()


def test_what_is_missing_of_a_sample_is_named_at_once(client: TestClient) -> None:
    answer = client.post(SAMPLES, json={"value": 1.02}, headers=BEARER)

    assert "body.unit: is missing; add it to the body" in problem(answer, 422)
    assert [question["field"] for question in answer.json()["questions"]] == [
        "body.instrument",
        "body.unit",
        "body.sample_temperature_c",
    ]


@pytest.mark.parametrize(
    ("method", "path", "content", "headers", "status", "said"),
    [
        ("POST", SAMPLES, b"{", JSON, 400, "the body is not JSON; write it as /api/v1/openapi.json"),
        ("POST", SAMPLES, b"\xff", JSON, 400, "the body is not JSON"),
        ("POST", SAMPLES, b"[" * 990, JSON, 400, "the body is not JSON"),
        ("POST", SAMPLES, b"[]", JSON, 422, "body: must be one JSON object, in braces"),
        ("POST", SAMPLES, b" " * 1001, JSON, 413, "the body is longer than 1,000 bytes; send fewer at a time"),
        ("POST", SAMPLES, b"value=1", {"Content-Type": "text/plain"}, 415, "Content-Type: application/json"),
        ("POST", "/api/v1/readings?float=heron", b" " * 1001, SENML_JSON, 413, "longer than 1,000 bytes"),
        ("POST", "/api/v1/readings?float=heron", b"[]", {}, 415, "name its type, one of: application/cbor"),
        ("POST", "/api/v1/readings?float=heron", b"{", SENML_JSON, 422, "nothing was accepted: "),
        ("DELETE", SAMPLES, b"", {}, 405, "takes only GET and POST; /api/v1/openapi.json describes every address"),
        ("PUT", "/api/v1/health", b"", {}, 405, "this address takes only GET"),
        ("GET", "/api/v1/nothing", b"", {}, 404, "there is nothing at this address"),
        ("GET", "/api/v1/batches/nobody", b"", {}, 404, "no batch is called 'nobody'"),
        ("GET", "/api/v1/readings/posted?float=heron", b"", {"Authorization": "Bearer x"}, 401, "token is missing or"),
        ("POST", SAMPLES, json.dumps(SAMPLE).encode(), JSON | {"Authorization": ""}, 401, "send the header: Auth"),
    ],
)  # fmt: skip
def test_each_kind_of_error_says_in_our_words_what_to_do(  # noqa: PLR0917  one row of the table
    client: TestClient, method: str, path: str, content: bytes, headers: dict[str, str], status: int, said: str
) -> None:
    answer = client.request(method, path, content=content, headers=BEARER | headers)

    assert said in problem(answer, status)
    assert not [word for word in JARGON if word in answer.text]
    if status == 405:
        assert answer.headers["allow"] in ("GET", "GET, POST")


@pytest.mark.parametrize("path", [SAMPLES, "/api/v1/readings"])
def test_without_the_token_no_body_is_read(store: Store, path: str) -> None:
    said: list[Any] = []

    async def receive() -> Any:
        raise AssertionError("the body was read")

    async def send(message: Any) -> None:
        said.append(message)

    scope = {
        "type": "http",
        "method": "POST",
        "path": path,
        "query_string": b"",
        "headers": [(b"host", b"127.0.0.1"), (b"content-type", b"application/json")],
    }
    asyncio.run(brewery.application(store, ingest=storing(store))(scope, receive, send))

    assert said[0]["status"] == 401


def test_the_body_of_a_sample_is_still_described(client: TestClient) -> None:
    paths = client.get("/api/v1/openapi.json").json()["paths"]

    schema = paths["/api/v1/batches/{batch_id}/samples"]["post"]["requestBody"]["content"]["application/json"]["schema"]
    assert set(schema["properties"]) == {*SAMPLE, "time"}
    assert set(schema["required"]) == set(SAMPLE)


def test_the_errors_that_are_described_are_those_that_come(client: TestClient) -> None:
    described = client.get("/api/v1/openapi.json").json()["paths"]
    come = client.get("/api/v1/rejected?limit=x").json()

    for path in described.values():
        for operation in path.values():
            assert "422" not in operation["responses"]
            schema = operation["responses"]["default"]["content"]["application/problem+json"]["schema"]
            assert set(schema["required"]) == set(come) - {"questions"}
            assert set(schema["properties"]) == set(come)


@pytest.mark.parametrize("method", ["PUT", "DELETE"])
def test_a_page_says_nothing_of_the_protocol(client: TestClient, method: str) -> None:
    answer = client.request(method, "/service")

    assert answer.status_code == 405
    assert "This address was not made by these pages" in answer.text
    assert "openapi" not in answer.text
