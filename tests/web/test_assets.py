from __future__ import annotations

import gzip
import subprocess
import sys

import pytest
from fastapi.testclient import TestClient

from web import assets


@pytest.mark.parametrize("url", [*assets.chart_urls(), assets.own_url("page.css"), assets.own_url("page.js")])
def test_a_static_file_is_packed_and_kept_for_a_year(client: TestClient, url: str) -> None:
    answer = client.get(url, headers={"Accept-Encoding": "gzip"})

    assert answer.status_code == 200
    assert answer.headers["content-encoding"] == "gzip"
    assert "immutable" in answer.headers["cache-control"]
    assert "max-age=31536000" in answer.headers["cache-control"]


def test_the_chart_library_is_the_wheel_s_own_file(client: TestClient) -> None:
    url = assets.chart_urls()[0]
    folder = assets.chart_folder()
    assert folder is not None

    served = client.get(url, headers={"Accept-Encoding": "identity"}).content

    assert served == (folder / "bokeh.min.js").read_bytes()
    assert len(gzip.compress(served, 9)) < len(served) / 2


@pytest.mark.parametrize("name", ["bokeh.js", "..%2fapp.py", "nothing.css"])
def test_nothing_else_is_served(client: TestClient, name: str) -> None:
    for version in {assets.own_url("page.css").split("/")[2], assets.chart_urls()[0].split("/")[2], "old"}:
        assert client.get(f"/static/{version}/{name}").status_code == 404


def test_making_the_application_does_not_import_the_chart_library() -> None:
    script = "import sys, web.app, web.assets; web.assets.chart_urls(); sys.exit('bokeh' in sys.modules)"

    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0
