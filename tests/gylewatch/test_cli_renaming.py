"""A float or vessel is renamed at the terminal, which says what is to be changed elsewhere, or first."""

from __future__ import annotations

import pytest

from gylewatch.values import FloatId
from tests.gylewatch.workbench import BATCH, BATCH_TOML, HERON, Terminal, day, readings

EGRET = FloatId("egret")
MAPPED = """
[[mqtt.mapping]]
topic = "cellar/+/tilt"
float_level = 1
angle = { pointer = "/tilt", unit = "deg" }
temperature = { pointer = "/temp", unit = "Cel" }
"""
FIXED = MAPPED.replace("float_level = 1", 'float = "heron"')
PROBE = '\n[[mqtt.probe]]\nname = "well"\nvessel = "FV1"\n'
MOUNTED = '\n[ble]\n[[ble.float]]\nname = "heron"\nlong_axis = "x"\n'


def configure(bench: Terminal, more: str) -> None:
    text = f'[database]\nurl = "sqlite:///gylewatch.sqlite"\n[[mqtt]]\nprefix = "cellar"\n{more}'
    (bench.folder / "gylewatch.toml").write_text(text)


def test_a_float_is_renamed_with_all_it_has_and_what_it_must_send_is_said(workbench: Terminal) -> None:
    with workbench.store() as store:
        store.append_readings(readings(day(1), 1.048))
    configure(workbench, MAPPED)

    answer = workbench.type("float rename heron egret")

    assert answer.code == 0, answer.err
    assert answer.out.splitlines() == [
        "float heron is called egret now; all that belongs to it goes along",
        "Let it send egret in place of heron: on the topic cellar/readings/egret, or on the topic cellar/egret/tilt. "
        "What comes as heron is of an unknown float now, and not kept.",
        "In batch and reference files write egret from now on.",
    ]
    with workbench.store() as store:
        assert store.float_ids() == {EGRET}
        assert len(store.readings(EGRET)) == 7
        assert store.batch(BATCH).batch.float_id == EGRET
    assert workbench.type("float rename heron egret").code == 2


def test_of_a_float_that_is_known_by_its_address_nothing_is_to_be_changed(workbench: Terminal) -> None:
    (workbench.folder / "gylewatch.toml").write_text('[database]\nurl = "sqlite:///gylewatch.sqlite"\n')
    workbench.type("float add wren --address C0:FF:EE:00:00:01")

    answer = workbench.type("float rename wren egret --json")

    said = "Over Bluetooth it is known by its address C0:FF:EE:00:00:01, and nothing is to be changed there."
    assert answer.json == {
        "float": "egret",
        "renamed_from": "wren",
        "to_change": [said, "In batch and reference files write egret from now on."],
    }


def test_a_vessel_is_renamed(workbench: Terminal) -> None:
    answer = workbench.type("vessel rename FV1 Tank-1")

    assert answer.out == (
        "vessel FV1 is called Tank-1 now; all that belongs to it goes along\nIn batch files write Tank-1 from now on.\n"
    )
    assert "Tank-1" in workbench.type("vessel list").out
    moved = workbench.folder / "moved.toml"
    moved.write_text(BATCH_TOML.replace("FV1", "Tank-1"))
    assert workbench.type(f"batch change {BATCH} moved.toml").out == f"batch {BATCH} is as moved.toml says\n"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("float rename heron wren", "a float called 'wren' exists already; choose another name"),
        ("float rename lark egret", "no float is called 'lark'; list them with: gylewatch float list"),
        ("float rename heron a/b", "float name 'a/b' is not usable"),
        ("vessel rename FV1 FV2", "a vessel called 'FV2' exists already"),
        ("vessel rename FV3 FV4", "no vessel is called 'FV3'"),
    ],
)
def test_a_name_that_cannot_be_given_is_refused_and_nothing_changes(
    workbench: Terminal, words: str, message: str
) -> None:
    for line in ("float add wren", "vessel add FV2"):
        workbench.type(line)

    answer = workbench.type(words)

    assert (answer.code, answer.out) == (2, "")
    assert message in answer.err
    with workbench.store() as store:
        assert store.float_ids() == {HERON, "wren"}
        assert [each.vessel_id for each in store.vessels()] == ["FV1", "FV2"]


@pytest.mark.parametrize(
    ("more", "words", "table"),
    [
        (FIXED, "float rename heron egret", "[[mqtt.mapping]]"),
        (MAPPED.replace("+", "heron"), "float rename heron egret", "[[mqtt.mapping]]"),
        (MOUNTED, "float rename heron egret", "[[ble.float]]"),
        (PROBE, "vessel rename FV1 Tank-1", "[[mqtt.probe]]"),
    ],
)
def test_what_the_configuration_names_is_renamed_there_first_and_while_no_service_runs(
    workbench: Terminal, more: str, words: str, table: str
) -> None:
    what, _, old, new = words.split()
    configure(workbench, more)

    named = workbench.type(words)

    assert named.code == 2
    assert named.err == (
        f"{what} {old}: the configuration names it, under {table}: stop the service, write {new} there, then give "
        f"gylewatch {what} rename {old} {new}, and start the service again"
    )
    configure(workbench, more.replace(old, new))
    with workbench.store() as store:
        let_go = store.claim()  # as a service does that has read the configuration of before
        running = workbench.type(words)
        let_go()
    assert running.code == 1
    assert "another gylewatch service" in running.err
    assert workbench.type(words).code == 0
