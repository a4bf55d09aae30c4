"""The documents keep up with the program."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import click
import pytest

from alerts.alert import Kind
from gylewatch import cli
from gylewatch.replay import ESTIMATES_HEADER
from gylewatch.tables import READINGS_HEADER, REFERENCES_HEADER, SAMPLES_HEADER

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PYPROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PROJECT = PYPROJECT["project"]


def commands() -> list[str]:
    """Every command that can be typed, with its subcommands."""
    found = []
    for name in cli.COMMANDS:
        command = cli.cli.get_command(click.Context(cli.cli), name)
        if isinstance(command, click.Group):
            found += [f"{name} {sub}" for sub in command.commands]
        else:
            found.append(name)
    return found


@pytest.mark.parametrize("command", commands())
def test_every_command_is_in_the_readme(command: str) -> None:
    assert f"gylewatch {command}" in README


@pytest.mark.parametrize("kind", list(Kind))
def test_every_kind_of_alert_is_in_the_readme_and_has_its_rule(kind: Kind) -> None:
    assert f"`{kind}`" in README
    assert kind in (ROOT / "docs" / "alerts.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("file", "header"),
    [
        # As the contract writes them.
        ("readings.csv", "time,float,angle_deg,temperature_c,battery_v,rssi_dbm"),
        ("samples.csv", "time,instrument,value,unit,sample_temperature_c"),
        ("references.csv", "float,angle_deg,angle_sd_deg,gravity_sg,gravity_sd_sg,temperature_c"),
        (
            "estimates.csv",
            "time,gravity_sg,gravity_low_sg,gravity_high_sg,rate_points_per_day,apparent_attenuation,abv_percent,phase,"
            "final_gravity_sg,final_gravity_low_sg,final_gravity_high_sg,finish_time,finish_low,finish_high",
        ),
    ],
)
def test_the_headers_of_the_files_are_those_of_the_contract(file: str, header: str) -> None:
    ours = {
        "readings.csv": ",".join(READINGS_HEADER),
        "samples.csv": ",".join(SAMPLES_HEADER),
        "references.csv": ",".join(REFERENCES_HEADER),
        "estimates.csv": ESTIMATES_HEADER,
    }

    assert ours[file] == header
    assert f"| `{file}` | `{header}` |" in README


def test_every_dependency_has_its_reason() -> None:
    rows = re.findall(r"^\| ([a-z0-9-]+) \| (.+) \|$", DEVELOPERS, flags=re.MULTILINE)
    needed = {re.split(r"[^A-Za-z0-9-]", line, maxsplit=1)[0].lower() for line in PROJECT["dependencies"]}

    assert needed <= {name for name, reason in rows if len(reason) > 15}


def test_every_package_for_tests_is_named() -> None:
    needed = {re.split(r"[^A-Za-z0-9-]", line, maxsplit=1)[0] for line in PROJECT["optional-dependencies"]["test"]}

    assert not [name for name in needed if name not in DEVELOPERS]


def test_every_file_that_calls_itself_pure_is_held_to_it() -> None:
    (contract,) = [each for each in PYPROJECT["tool"]["importlinter"]["contracts"] if "pure core" in each["name"]]
    claimed = []
    for package in PYPROJECT["tool"]["importlinter"]["root_packages"]:
        for file in (ROOT / package).rglob("*.py"):
            about = ast.get_docstring(ast.parse(file.read_text(encoding="utf-8"))) or ""
            if re.search(r"\bPure\b", about):
                claimed.append(".".join(file.relative_to(ROOT).with_suffix("").parts))

    assert claimed
    assert not [
        module
        for module in claimed
        if not any(module == each or module.startswith(f"{each}.") for each in contract["source_modules"])
    ]


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "deploy/README.md"])
def test_every_link_to_a_file_leads_somewhere(document: str) -> None:
    path = ROOT / document

    for target in re.findall(r"\]\(([^)#]+)\)", path.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (path.parent / target).exists(), target


def test_the_batch_of_the_readme_can_be_added(tmp_path: Path) -> None:
    from gylewatch.batch_file import read_batch

    (block,) = [block for block in re.findall(r"```toml\n(.*?)```", README, flags=re.DOTALL) if "[batch]" in block]
    (tmp_path / "batch.toml").write_text(block, encoding="utf-8")

    batch = read_batch(tmp_path / "batch.toml")

    assert batch.plan
    assert batch.additions


def test_the_references_of_the_readme_make_a_curve(tmp_path: Path) -> None:
    from calibration.fit import fit_curve
    from gylewatch.tables import read_references

    (block,) = re.findall(r"```\n\s*(float,angle_deg.*?)```", README, flags=re.DOTALL)
    lines = [line.strip() for line in block.strip().splitlines()]
    (tmp_path / "references.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")

    curve = fit_curve(read_references(tmp_path / "references.csv"))

    assert curve.excluded == ()
