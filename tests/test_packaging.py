"""What is installed: exactly the listed packages with their data files, and no other distribution's names."""

from __future__ import annotations

import importlib.metadata
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
TOP_LEVEL = {"alerts", "calibration", "collector", "fermentation", "gylewatch", "storage", "web"}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> frozenset[str]:
    """The names of the files in the wheel that is built from this tree."""
    folder = tmp_path_factory.mktemp("wheel")
    build = (
        "import os, sys; from setuptools import build_meta; os.chdir(sys.argv[1]); build_meta.build_wheel(sys.argv[2])"
    )
    source = folder / "source"
    subprocess.run(["git", "clone", "--quiet", "--no-hardlinks", str(ROOT), str(source)], check=True)
    subprocess.run([sys.executable, "-c", build, str(source), str(folder)], check=True, capture_output=True, cwd=source)
    (built,) = folder.glob("*.whl")
    return frozenset(zipfile.ZipFile(built).namelist())


def test_only_our_packages_are_in_the_wheel(wheel: frozenset[str]) -> None:
    tops = {name.partition("/")[0] for name in wheel}

    assert {top for top in tops if not top.endswith(".dist-info")} == TOP_LEVEL


def test_every_module_of_every_package_is_in_the_wheel(wheel: frozenset[str]) -> None:
    tracked = subprocess.run(
        ["git", "ls-tree", "-r", "--name-only", "HEAD", "--", *sorted(TOP_LEVEL)],
        cwd=ROOT,
        check=True,
        capture_output=True,
        text=True,
    ).stdout.splitlines()

    assert {name for name in tracked if name.endswith(".py")} == {name for name in wheel if name.endswith(".py")}


@pytest.mark.parametrize("package", sorted(TOP_LEVEL))
def test_each_package_says_that_it_is_typed(wheel: frozenset[str], package: str) -> None:
    assert f"{package}/py.typed" in wheel


def test_templates_and_static_files_are_in_the_wheel(wheel: frozenset[str]) -> None:
    listing = ["git", "ls-tree", "-r", "--name-only", "HEAD", "--", "web/templates", "web/static"]
    wanted = set(subprocess.run(listing, cwd=ROOT, check=True, capture_output=True, text=True).stdout.splitlines())

    assert wanted
    assert wanted <= wheel


def test_nothing_of_tests_deploy_or_benchmarks_is_in_the_wheel(wheel: frozenset[str]) -> None:
    assert not [name for name in wheel if name.startswith(("tests/", "deploy/", "benchmarks/", "scripts/"))]


def test_our_names_belong_to_gylewatch_alone() -> None:
    owners = importlib.metadata.packages_distributions()

    # An editable installation lists its finder, not its packages; then nobody at all may own the name.
    assert {name: set(owners.get(name, ["gylewatch"])) for name in TOP_LEVEL} == {
        name: {"gylewatch"} for name in TOP_LEVEL
    }


def test_the_listed_packages_are_the_folders_that_hold_modules() -> None:
    listed = set(PROJECT["tool"]["setuptools"]["packages"])
    found = {
        ".".join(path.parent.relative_to(ROOT).parts) for top in TOP_LEVEL for path in (ROOT / top).rglob("__init__.py")
    }

    assert listed == found
