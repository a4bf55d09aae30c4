"""Accuracy of `gylewatch replay` and rightness of its alerts on brews on disk, whoever made them.

python -m tests.cellar --brews 60 --first-seed 0 BREWS
python -m benchmarks.judge BREWS [--jobs 2] [--dump 5]
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from benchmarks.estimator import accuracy_table, print_verdicts
from benchmarks.recorded import Recorded, read_brew, replayed
from benchmarks.scores import BrewScore, score_brew


def judged(folder: Path, number: int) -> tuple[Recorded, BrewScore]:
    """The brew of one directory, and its score."""
    brew = read_brew(folder, number)
    return brew, score_brew(brew, replayed(brew))


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.judge", description=__doc__.split("\n")[0])
    parser.add_argument("brews", type=Path, help="directory of directories")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--dump", type=int, default=0, metavar="N", help="also print the N worst brews")
    options = parser.parse_args(arguments)
    folders = sorted(each.parent for each in options.brews.glob("*/truth.json"))
    if not folders:
        parser.error(f"{options.brews} holds no directory with a truth.json")
    with ProcessPoolExecutor(options.jobs) as pool:
        found = list(pool.map(judged, folders, range(len(folders))))
    brews, scores = zip(*found, strict=True)
    print(f"{len(found)} brews in {options.brews}")
    print(accuracy_table({"gylewatch": scores}))
    print_verdicts(brews, scores, options.dump)


if __name__ == "__main__":
    main()
