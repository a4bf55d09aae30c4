"""Where the name of a float stands outside the database, by a configuration."""

from __future__ import annotations

from pathlib import Path

import pytest

from gylewatch.config import read_settings
from gylewatch.naming import Naming

DATABASE = '[database]\nurl = "sqlite:///gylewatch.sqlite"\n'


def naming(folder: Path, more: str) -> Naming:
    path = folder / "gylewatch.toml"
    path.write_text(DATABASE + more)
    return read_settings(path, {"TOKEN": "0123456789abcdef"}).naming()


def mapping(topic: str, name: str) -> str:
    values = 'angle = { pointer = "/a", unit = "deg" }\ntemperature = { pointer = "/t", unit = "Cel" }\n'
    return f'[[mqtt]]\n[[mqtt.mapping]]\ntopic = "{topic}"\n{name}\n{values}'


@pytest.mark.parametrize(
    ("more", "place"),
    [
        ("[[mqtt]]\n", "on the topic gylewatch/v1/readings/egret"),
        ('[[mqtt]]\nprefix = "cellar"\n', "on the topic cellar/readings/egret"),
        ('[http]\ntoken_env = "TOKEN"\n', "posted to /api/v1/readings?float=egret"),
        (mapping("cellar/+/tilt", "float_level = 1"), "on the topic cellar/egret/tilt"),
        (mapping("cellar/#", "float_level = 2"), "on the topic cellar/.../egret/..."),
        (mapping("cellar/tilt", 'float_pointer = "/id"'), "egret at /id of what comes on cellar/tilt"),
    ],
)
def test_a_float_sends_its_name_there(tmp_path: Path, more: str, place: str) -> None:
    (said, *_) = naming(tmp_path, more).to_change("float", "heron", "egret")

    assert said.startswith("Let it send egret in place of heron: ")
    assert f"{place}, or " in said or f"{place}. " in said


def test_where_no_name_is_heard_only_files_name_a_float(tmp_path: Path) -> None:
    said = naming(tmp_path, "").to_change("float", "heron", "egret")

    assert said == ("In batch and reference files write egret from now on.",)


def test_of_a_float_that_is_heard_over_the_radio_a_gateway_may_send_the_name_too(tmp_path: Path) -> None:
    address = "C0:FF:EE:00:00:01"

    said = naming(tmp_path, "[[mqtt]]\n").to_change("float", "heron", "egret", address=address)

    assert said[0] == f"Over Bluetooth it is known by its address {address}, and nothing is to be changed there."
    assert said[1].startswith("Let a gateway that sends its name send egret in place of heron: on the topic gylewatch/")


@pytest.mark.parametrize("name", ['float = "heron"', "float_level = 1"])
def test_a_mapping_that_names_its_float_itself_is_no_place_where_it_is_sent(tmp_path: Path, name: str) -> None:
    found = naming(tmp_path, mapping("cellar/heron", name))

    assert found.places == ("on the topic gylewatch/v1/readings/<float>",)
    assert found.floats == {"heron": "[[mqtt.mapping]]"}
