"""Brews by another hand, written from the contract and the literature alone, without looking at the estimator.

They are what development is checked against: ``python -m tests.cellar --brews 60 --first-seed 0 FOLDER``.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from tests.cellar.cellar import make, write


def main() -> None:
    """Write brews, one folder each, named after the seed."""
    parser = argparse.ArgumentParser(prog="python -m tests.cellar", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--brews", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=0)
    asked = parser.parse_args()
    for seed in range(asked.first_seed, asked.first_seed + asked.brews):
        write(make(seed), asked.folder / f"{seed:06d}")


if __name__ == "__main__":
    main()
