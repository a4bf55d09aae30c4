"""Read the published values beside this file; each file's first lines say where they come from."""

from __future__ import annotations

import csv
from pathlib import Path


def rows_of(name: str) -> list[dict[str, str]]:
    lines = (Path(__file__).parent / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))
