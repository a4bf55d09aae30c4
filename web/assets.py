"""Static files: our own, and the chart library out of its installed wheel. Each address holds a version, so that a
browser may keep the file for a year."""

from __future__ import annotations

import gzip
import hashlib
import importlib.util
from functools import cache
from http import HTTPStatus
from importlib import metadata
from pathlib import Path

from fastapi import APIRouter, Request, Response

from web.problems import Problem

_OWN = Path(__file__).parent / "static"
_TYPES = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}
_FOR_A_YEAR = "public, max-age=31536000, immutable"
CHART_SCRIPTS = ("bokeh.min.js", "bokeh-api.min.js")


@cache
def chart_folder() -> Path | None:
    """Where the wheel keeps its scripts; None where it is not installed. The library itself is never imported: that
    would cost more memory than the rest of the page (722 ms and 56 MiB, measured in the project's test bench)."""
    spec = importlib.util.find_spec("bokeh")
    if spec is None or spec.origin is None:
        return None
    folder = Path(spec.origin).parent / "server" / "static" / "js"
    return folder if all((folder / name).is_file() for name in CHART_SCRIPTS) else None


@cache
def own_version() -> str:
    """A digest of our own files: it changes when one of them does."""
    digest = hashlib.sha256()
    for path in sorted(_OWN.iterdir()):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:12]


@cache
def own_url(name: str) -> str:
    """The address of one of our own files."""
    return f"/static/{own_version()}/{name}"


@cache
def chart_urls() -> tuple[str, ...]:
    """The addresses of the chart library's scripts, in the order to load them; empty where it is not installed."""
    if chart_folder() is None:
        return ()
    version = metadata.version("bokeh")
    return tuple(f"/static/chart-{version}/{name}" for name in CHART_SCRIPTS)


@cache
def _packed(path: Path) -> bytes:
    # Once per file and process: level 9 of the larger script takes about 0.1 s and saves two thirds.
    return gzip.compress(path.read_bytes(), 9, mtime=0)


def _file(version: str, name: str) -> Path | None:
    if version == own_version():
        folder: Path | None = _OWN
    else:
        folder = chart_folder() if f"/static/{version}/{name}" in chart_urls() else None
    # The name is compared with what is there, never joined unseen: no way out of the folder.
    return next((path for path in folder.iterdir() if path.name == name and path.is_file()), None) if folder else None


router = APIRouter(include_in_schema=False)


@router.get("/static/{version}/{name}")
def static_file(version: str, name: str, request: Request) -> Response:
    """One static file, compressed where the browser takes it."""
    path = _file(version, name)
    if path is None or path.suffix not in _TYPES:
        raise Problem(HTTPStatus.NOT_FOUND, "there is no such file; load the page again")
    headers = {"Cache-Control": _FOR_A_YEAR, "Vary": "Accept-Encoding"}
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(_packed(path), headers=headers | {"Content-Encoding": "gzip"}, media_type=_TYPES[path.suffix])
    return Response(path.read_bytes(), headers=headers, media_type=_TYPES[path.suffix])
