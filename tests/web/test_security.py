from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from gylewatch.values import BatchId
from storage.store import Store
from tests.web import brewery
from web.security import is_local_host
from web.settings import HttpSettings


@pytest.mark.parametrize(
    "host",
    ["127.0.0.1:8220", "[::1]:8220", "192.168.1.7", "localhost:8220", "cellar", "cellar.local:8220", "c.home.arpa"],
)
def test_addresses_and_local_names_are_ours(host: str) -> None:
    assert is_local_host(host, ())


@pytest.mark.parametrize(
    "host", ["", "evil.example", "evil.example:8220", "local.evil.example", "127.0.0.1.evil.example", "[::1"]
)
def test_a_public_name_is_not_ours(host: str) -> None:
    assert not is_local_host(host, ())


def test_a_public_name_that_the_brewer_configured_is_ours() -> None:
    assert is_local_host("beer.example:443", ("Beer.example",))


def test_a_request_under_a_foreign_name_reads_nothing(store: Store, batch_id: BatchId) -> None:
    client = TestClient(brewery.application(store))

    answer = client.get("/api/v1/batches", headers={"Host": "evil.example"})

    assert answer.status_code == 421
    assert "Harbour" not in answer.text
    assert "names in [http]" in answer.text


def test_a_configured_name_is_answered(store: Store) -> None:
    client = TestClient(brewery.application(store, settings=HttpSettings(names=("beer.example",))))

    assert client.get("/", headers={"Host": "beer.example"}).status_code == 200


@pytest.mark.parametrize("path", ["/", "/service", "/api/v1/health", "/nowhere"])
def test_every_answer_forbids_foreign_content(client: TestClient, path: str) -> None:
    headers = client.get(path).headers

    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self';" in policy
    assert "unsafe-eval" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    ("ours", "origin"), [("https://testserver", "http://testserver"), ("http://testserver", "ftp://testserver")]
)
def test_a_form_of_another_scheme_is_not_ours(store: Store, batch_id: BatchId, ours: str, origin: str) -> None:
    client = TestClient(brewery.application(store), base_url=ours)

    answer = client.post(f"/batches/{batch_id}", headers={"Origin": origin})

    assert answer.status_code == 403
