"""The command line: what it says, its exit codes, and never a traceback."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import click
import pytest

from collector.packet import Reason, Rejected, Source
from gylewatch import cli
from gylewatch.demo_sink import Sink
from gylewatch.errors import AlreadyExists, CalibrationError, DeliveryError, NotFound, StorageError, TransportError
from gylewatch.values import BatchId
from storage.store import Store
from tests.gylewatch.brew import PITCHED, iso, pale_readings, write_batch, write_references
from tests.web.brewery import estimate

HYDROMETER = (
    *("sample", "add", "ferry-lane-pale", "--instrument", "hydrometer"),
    *("--unit", "SG", "--temperature-c", "20"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


class Terminal:
    """Types commands in a folder of its own."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self._capsys = capsys

    def type(self, *words: str) -> Answer:
        code = cli.run(words)
        out, err = self._capsys.readouterr()
        return Answer(code=code, out=out, err=err)


@pytest.fixture
def terminal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Terminal:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("GYLEWATCH_CONFIG", raising=False)
    return Terminal(tmp_path, capsys)


@pytest.fixture(scope="module")
def furnished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a float, a vessel, a curve and a batch, made once: a new database takes half a second."""
    folder = tmp_path_factory.mktemp("brewery")
    write_references(folder)
    write_batch(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.delenv("GYLEWATCH_CONFIG", raising=False)
        for line in (
            "init",
            "float add heron",
            "vessel add FV1 --volume-l 25",
            "curve add references.csv --who Ada --note first",
            "batch add batch.toml",
        ):
            assert cli.run(line.split()) == 0, line
    return folder


@pytest.fixture
def brewery(furnished: Path, terminal: Terminal) -> Terminal:
    shutil.copytree(furnished, terminal.folder, dirs_exist_ok=True)
    return terminal


def test_init_writes_a_configuration_and_a_database_once(terminal: Terminal) -> None:
    first = terminal.type("init", "brewery")
    again = terminal.type("init", "brewery")

    assert first.code == 0
    assert "next: cd brewery; gylewatch float add NAME" in first.out
    assert sorted(path.name for path in (terminal.folder / "brewery").iterdir()) == [
        "gylewatch.sqlite",
        "gylewatch.toml",
    ]
    assert again.code == 2
    assert "is there already and is not overwritten" in again.err


def test_init_makes_a_database_that_is_missing_for_a_configuration_that_is_there(terminal: Terminal) -> None:
    terminal.type("init")
    config = terminal.folder / "gylewatch.toml"
    config.write_text(config.read_text().replace("gylewatch.sqlite", "other.sqlite") + "# mine\n")
    missing = terminal.type("status")
    assert missing.code == 2
    assert "other.sqlite does not exist; create it with: gylewatch init" in missing.err

    made = terminal.type("init")

    assert made.code == 0
    assert "kept gylewatch.toml; made " in made.out
    assert "next: gylewatch float add NAME" in made.out
    assert config.read_text().endswith("# mine\n")
    assert terminal.type("status").code == 0


def test_what_was_added_is_listed_as_text_and_as_json(brewery: Terminal) -> None:
    assert "heron" in brewery.type("float", "list").out
    assert [entry["float"] for entry in brewery.type("float", "list", "--json").json] == ["heron"]
    assert re.search(r"^heron +FV1: ferry-lane-pale ", brewery.type("float", "list").out, re.MULTILINE)
    assert re.search(r"^FV1 +25\.0 l +ferry-lane-pale$", brewery.type("vessel", "list").out, re.MULTILINE)
    assert brewery.type("vessel", "list", "--json").json == {
        "vessels": [{"vessel": "FV1", "volume_l": 25.0, "note": ""}]
    }
    assert "Ada" in brewery.type("curve", "list", "heron").out
    assert brewery.type("curve", "list", "heron", "--json").json["curves"][0]["who"] == "Ada"
    assert "off the curve" in brewery.type("curve", "show", "heron").out
    assert brewery.type("curve", "show", "heron", "--json").json["curve"]["float"] == "heron"
    assert "Ferry Lane Pale" in brewery.type("batch", "list").out
    assert brewery.type("batch", "list", "--active", "--json").json[0]["batch_id"] == "ferry-lane-pale"


def test_a_second_calibration_is_a_second_version(brewery: Terminal) -> None:
    brewery.type("curve", "add", "references.csv")

    versions = [entry["version"] for entry in brewery.type("curve", "list", "heron", "--json").json["curves"]]

    assert versions == [1, 2]


def test_a_sample_is_kept_and_listed_with_the_gravity_it_stands_for(brewery: Terminal) -> None:
    added = brewery.type(*HYDROMETER, "--value", "1.048", "--json")
    listed = brewery.type("sample", "list", "ferry-lane-pale")

    assert added.json[0]["value"] == 1.048
    # At the temperature for which the glass was made nothing is to be corrected.
    assert "1.0480 ± " in listed.out
    assert listed.out.endswith("± is half the 80 % interval.\n")


def test_samples_come_from_a_file_too(brewery: Terminal) -> None:
    (brewery.folder / "samples.csv").write_text(
        "time,instrument,value,unit,sample_temperature_c\n2026-03-05T08:00:00Z,refractometer,9.0,Brix,20\n"
    )

    answer = brewery.type("sample", "add", "ferry-lane-pale", "--from", "samples.csv")

    assert answer.out == "1 sample kept for batch ferry-lane-pale\n"


def test_a_file_of_samples_that_is_read_again_adds_only_what_is_new(brewery: Terminal) -> None:
    path = brewery.folder / "samples.csv"
    row = "2026-03-05T08:00:00Z,refractometer,9.0,Brix,20\n"
    path.write_text(f"time,instrument,value,unit,sample_temperature_c\n{row}{row}")
    first = brewery.type("sample", "add", "ferry-lane-pale", "--from", "samples.csv")
    with path.open("a") as file:
        file.write("2026-03-06T08:00:00Z,refractometer,8.0,Brix,20\n")

    again = brewery.type("sample", "add", "ferry-lane-pale", "--from", "samples.csv")

    assert first.out == "1 sample kept for batch ferry-lane-pale; 1 stood there already, word for word\n"
    assert again.out == "1 sample kept for batch ferry-lane-pale; 2 stood there already, word for word\n"
    assert len(brewery.type("sample", "list", "ferry-lane-pale", "--json").json) == 2


def test_a_sample_from_before_pitching_is_kept_and_told_to_have_no_effect(brewery: Terminal) -> None:
    during = brewery.type(*HYDROMETER, "--value", "1.050", "--time", iso(PITCHED + timedelta(minutes=1)))
    before = brewery.type(*HYDROMETER, "--value", "1.050", "--time", iso(PITCHED - timedelta(hours=1)))

    assert (during.code, during.err) == (0, "")
    assert before.code == 0
    assert "drawn before pitching is kept, but the estimate does not use it" in before.err


def test_a_sample_of_a_batch_that_has_ended_is_kept_and_told_to_have_no_effect(brewery: Terminal) -> None:
    brewery.type("batch", "end", "ferry-lane-pale", "--time", iso(PITCHED + timedelta(hours=2)))

    answer = brewery.type(*HYDROMETER, "--value", "1.050", "--time", iso(PITCHED + timedelta(hours=3)))

    assert (answer.code, answer.out) == (0, "1 sample kept for batch ferry-lane-pale\n")
    assert "ended at 2026-03-02 20:30Z and is no longer watched" in answer.err
    assert "changes no estimate" in answer.err
    assert len(brewery.type("sample", "list", "ferry-lane-pale", "--json").json) == 1


def test_a_file_with_a_sample_that_cannot_be_corrected_is_refused_whole(brewery: Terminal) -> None:
    (brewery.folder / "samples.csv").write_text(
        "time,instrument,value,unit,sample_temperature_c\n"
        "2026-03-05T08:00:00Z,refractometer,9.0,Brix,20\n2026-03-06T08:00:00Z,refractometer,8.0,Brix,68\n"
    )

    answer = brewery.type("sample", "add", "ferry-lane-pale", "--from", "samples.csv")

    assert answer.code == 2
    assert "samples.csv row 3" in answer.err
    assert brewery.type("sample", "list", "ferry-lane-pale", "--json").json == []


def test_a_doubtful_sample_is_asked_back(brewery: Terminal) -> None:
    answer = brewery.type(*HYDROMETER, "--value", "12.5")

    assert answer.code == 2
    assert "Brix" in answer.err
    assert brewery.type("sample", "list", "ferry-lane-pale", "--json").json == []


def test_an_ended_batch_is_no_longer_active(brewery: Terminal) -> None:
    answer = brewery.type("batch", "end", "ferry-lane-pale", "--time", "2026-03-20T10:00:00Z", "--json")

    assert answer.json["ended"] == "2026-03-20T10:00:00Z"
    assert brewery.type("batch", "list", "--active", "--json").json == []


def test_a_running_batch_gets_a_plan_step_and_an_addition_and_keeps_what_the_file_leaves_open(
    brewery: Terminal,
) -> None:
    brewery.type("brewday", "pitch", "ferry-lane-pale", "--gravity", "1.0530", "--replace")
    text = (brewery.folder / "batch.toml").read_text()
    text = re.sub(r"^original_gravity = .*\n", "", text, flags=re.MULTILINE)
    text += (
        "[[batch.plan]]\nfrom = 2026-03-09T08:00:00Z\ntemperature_c = [20.0, 23.0]\n"
        "[[batch.addition]]\ntime = 2026-03-05T10:00:00Z\ngravity_points = 6\n"
    )
    (brewery.folder / "now.toml").write_text(text)

    answer = brewery.type("batch", "change", "ferry-lane-pale", "now.toml")
    again = brewery.type("batch", "change", "ferry-lane-pale", "now.toml")

    assert answer.out.splitlines() == [
        "batch ferry-lane-pale: plan, addition changed",
        "added 2026-03-05 10:00Z: an addition: +6.0 points",
    ]
    assert again.out == "batch ferry-lane-pale is as now.toml says\n"
    with Store.open(f"sqlite:///{brewery.folder / 'gylewatch.sqlite'}", create=False) as store:
        batch = store.batch(BatchId("ferry-lane-pale")).batch
    assert (batch.original_gravity_sg, batch.plan[0].temperature_c) == (1.053, (20.0, 23.0))
    assert batch.additions[0].gravity_points == 6


def test_a_range_that_is_changed_from_pitching_on_is_asked_about(brewery: Terminal) -> None:
    text = (brewery.folder / "batch.toml").read_text()
    (brewery.folder / "now.toml").write_text(
        re.sub(r"^temperature_c = .*$", "temperature_c = [20, 23]", text, count=1, flags=re.MULTILINE)
    )

    answer = brewery.type("batch", "change", "ferry-lane-pale", "now.toml")

    assert answer.code == 0
    assert "wanted from pitching on" in answer.err
    assert "[[batch.plan]] with from = 20" in answer.err


def test_an_ended_batch_is_not_changed(brewery: Terminal) -> None:
    brewery.type("batch", "end", "ferry-lane-pale", "--time", "2026-03-20T10:00:00Z")

    answer = brewery.type("batch", "change", "ferry-lane-pale", "batch.toml")

    assert answer.code == 2
    assert "ended at 2026-03-20" in answer.err


def test_status_tells_what_is_believed_whether_the_service_runs_or_not(brewery: Terminal) -> None:
    text, shown = brewery.type("status"), brewery.type("status", "--json").json

    assert "nothing heard yet" in text.out
    assert shown["batches"][0]["batch_id"] == "ferry-lane-pale"
    assert shown["batches"][0]["estimate"] is None
    assert shown["outbox"]["waiting"] == 0


def test_a_new_curve_names_the_beer_that_goes_on_under_the_old_one(brewery: Terminal) -> None:
    said = brewery.type("curve", "add", "references.csv").err

    assert "batch ferry-lane-pale is watched and keeps version 1 of the curve of float heron" in said
    assert "gylewatch curve reread ferry-lane-pale" in said
    brewery.type("batch", "end", "ferry-lane-pale")
    assert brewery.type("curve", "add", "references.csv").err == ""


def test_a_second_end_says_that_it_corrects_the_first(brewery: Terminal) -> None:
    first = brewery.type("batch", "end", "ferry-lane-pale", "--time", "2026-03-20T10:00:00Z").out
    again = brewery.type("batch", "end", "ferry-lane-pale", "--time", "2026-03-21T10:00:00Z").out

    assert first == "batch ferry-lane-pale ended at 2026-03-20 10:00Z\n"
    assert again == "batch ferry-lane-pale ended at 2026-03-21 10:00Z, and no longer at 2026-03-20 10:00Z\n"


def test_a_beer_that_is_changed_to_a_time_when_its_float_lay_in_another_is_noted(brewery: Terminal) -> None:
    brewery.type("batch", "end", "ferry-lane-pale", "--time", iso(PITCHED + timedelta(days=9)))
    text = (brewery.folder / "batch.toml").read_text().replace("Ferry Lane Pale", "Second Ale")
    later, early = (text.replace(iso(PITCHED), iso(PITCHED + timedelta(days=days))) for days in (10, 8))
    assert later != text
    (brewery.folder / "second.toml").write_text(later)
    assert "float heron lay in" not in brewery.type("batch", "add", "second.toml").err
    (brewery.folder / "second.toml").write_text(early)

    said = brewery.type("batch", "change", "second-ale", "second.toml").err

    assert "float heron lay in 'Ferry Lane Pale' until" in said
    assert "gylewatch batch change second-ale second.toml" in said


def test_status_gives_each_number_with_its_interval(brewery: Terminal) -> None:
    with closing(Store.open(f"sqlite:///{brewery.folder / 'gylewatch.sqlite'}")) as store:
        store.save_outcomes(BatchId("ferry-lane-pale"), estimates=[estimate(60.0)])

    lines = brewery.type("status").out.splitlines()

    # By the model of these estimates: the middle of 1.052 and 1.012, 3 points to each side; 10 and 14 h of the finish.
    assert re.split(r" {2,}", lines[1])[2:7] == [
        "1.0320 ± 0.0030",
        "20.0 points/day",
        "1.0120 ± 0.0010",
        "2026-03-08 05:00Z -10 +14 h",
        "38 ± 6 %",
    ]
    assert "± is half the 80 % interval" in lines[2]


def test_status_asks_about_a_float_that_seems_to_send_fahrenheit(brewery: Terminal) -> None:
    with closing(Store.open(f"sqlite:///{brewery.folder / 'gylewatch.sqlite'}")) as store:
        store.append_readings([replace(reading, temperature_c=68.0) for reading in pale_readings(3)])

    text, shown = brewery.type("status"), brewery.type("status", "--json")

    said = "ferry-lane-pale: 3 of the last 3 readings have a temperature of 68 °C or more: if that is °F, "
    assert said in text.err
    assert said in shown.err
    assert shown.json["batches"]


def test_status_counts_gauges_that_were_not_believed_apart_from_refused_packets(brewery: Terminal) -> None:
    left_out = Rejected(
        received=PITCHED,
        source=Source.MQTT,
        origin="gylewatch/v1/readings/heron",
        reason=Reason.VALUE_LEFT_OUT,
        detail="battery 307.4 V is outside 0 to 60",
        payload=b"",
        float_id="heron",
    )
    with closing(Store.open(f"sqlite:///{brewery.folder / 'gylewatch.sqlite'}")) as store:
        store.append_rejected([left_out, replace(left_out, reason=Reason.MALFORMED)])

    said = brewery.type("status").out

    assert "1 reading kept without a battery or signal that cannot be true" in said
    assert "refused packets: 1 malformed\n" in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            "capture heron --for 5",
            "no option '--for' here; there are --out, --count, --minutes, --config (help: gylewatch",
        ),
        ("capture heron --minute 5", "there is no option '--minute' here; did you mean --minutes?"),
        ("replay --est x", "there is no option '--est' here; did you mean --estimates?"),
        ("--colour", "there is no option '--colour' here; there are --version, --debug (help: gylewatch --help)"),
        ("capture", "say what to do: record, show (help: gylewatch capture --help)"),
    ],
)
def test_what_the_command_line_does_not_know_is_answered_with_what_is_meant_or_what_there_is(
    terminal: Terminal, words: str, said: str
) -> None:
    answer = terminal.type(*words.split())

    assert answer.code == 2
    assert said in answer.err
    assert answer.err.count("\n") == 1


def test_a_test_message_tells_which_channel_works(brewery: Terminal) -> None:
    arrived: list[str] = []
    with Sink(lambda title, _: arrived.append(title)) as sink:
        channels = {"works": sink.url, "nobody": "json://127.0.0.1:9/"}
        with (brewery.folder / "gylewatch.toml").open("a", encoding="utf-8") as file:
            for name, url in channels.items():
                file.write(f'\n[[notify]]\nname = "{name}"\nurl = "{url}"\n')

        answer = brewery.type("notify-test", "--json")

    assert answer.json["works"] == "taken"
    assert answer.json["nobody"] != "taken"
    assert answer.code == 1
    assert answer.err.startswith("gylewatch: nobody: ")
    assert len(arrived) == 1


def test_a_club_adds_its_floats_and_vessels_at_once_or_none_of_them(furnished: Path, terminal: Terminal) -> None:
    shutil.copytree(furnished, terminal.folder, dirs_exist_ok=True)

    spoilt = terminal.type("float", "add", "float1", "heron", "float2")
    unusable = terminal.type("vessel", "add", "FV2", "FV 3")
    assert (spoilt.code, unusable.code) == (2, 2)
    assert "a float called 'heron' exists already" in spoilt.err
    floats = terminal.type("float", "add", "float10", "float2", "float2", "--json")
    vessels = terminal.type("vessel", "add", "FV10", "FV2", "--volume-l", "20")

    assert [each["float"] for each in floats.json] == ["float10", "float2"]
    assert vessels.out == "2 vessels are known\n"
    assert [each["float"] for each in terminal.type("float", "list", "--json").json] == ["float2", "float10", "heron"]
    listed = terminal.type("vessel", "list", "--json").json["vessels"]
    assert [(each["vessel"], each["volume_l"]) for each in listed] == [("FV1", 25.0), ("FV2", 20.0), ("FV10", 20.0)]
    assert "is of one float" in terminal.type("float", "add", "a", "b", "--address", "C0:FF:EE:00:00:01").err


def test_a_radio_address_is_kept_as_the_radio_tells_it_and_for_one_float_only(
    furnished: Path, terminal: Terminal
) -> None:
    shutil.copytree(furnished, terminal.folder, dirs_exist_ok=True)

    assert terminal.type("float", "add", "tern", "--address", "c0-ff-ee-00-00-01", "--json").json["address"] == (
        "C0:FF:EE:00:00:01"
    )
    again = terminal.type("float", "add", "wren", "--address", "c0:ff:ee:00:00:01")
    nonsense = terminal.type("float", "add", "wren", "--address", "C0:FF:EE:00:00")

    assert (again.code, nonsense.code) == (2, 2)
    assert "float tern has the address C0:FF:EE:00:00:01 already; is it the same float?" in again.err
    assert "--address: 'C0:FF:EE:00:00' is no radio address; write it like C0:FF:EE:00:00:01" in nonsense.err
    assert "C0:FF:EE:00:00:01" in terminal.type("float", "list").out


def test_the_brewery_s_instruments_go_with_the_batches_added_from_then_on(furnished: Path, terminal: Terminal) -> None:
    shutil.copytree(furnished, terminal.folder, dirs_exist_ok=True)
    before = terminal.type(*HYDROMETER, "--value", "1.040", "--json")
    with (terminal.folder / "gylewatch.toml").open("a") as config:
        config.write("\n[instruments]\nhydrometer_offset_points = 2\n")
    terminal.type("batch", "end", "ferry-lane-pale")
    batch = (terminal.folder / "batch.toml").read_text().replace("Ferry Lane Pale", "Next Ale")
    (terminal.folder / "next.toml").write_text(batch)

    added = terminal.type("batch", "add", "next.toml", "--json")
    line = tuple("next-ale" if word == "ferry-lane-pale" else word for word in HYDROMETER)
    terminal.type(*line, "--value", "1.040")

    assert before.code == 0
    assert added.json["instruments"]["hydrometer_offset_sg"] == pytest.approx(0.002)
    # The gravity of a reading of 1.040 at 20 °C on a true scale is 1.0400; two points are added for the new batch.
    assert "  1.0400 ± " in terminal.type("sample", "list", "ferry-lane-pale").out
    assert "  1.0420 ± " in terminal.type("sample", "list", "next-ale").out


def test_temperatures_that_may_be_fahrenheit_are_taken_as_they_stand_and_asked_about(
    furnished: Path, terminal: Terminal
) -> None:
    shutil.copytree(furnished, terminal.folder, dirs_exist_ok=True)
    references = (terminal.folder / "references.csv").read_text()
    # 60 °F, at which many instruments are true, is 15.6 °C; as 60 °C it is just allowed.
    (terminal.folder / "warm.csv").write_text(re.sub(r",[0-9.]+$", ",60", references, flags=re.MULTILINE))
    batch = (terminal.folder / "batch.toml").read_text().replace("Ferry Lane Pale", "Warm Ale").replace("FV1", "FV2")
    (terminal.folder / "warm.toml").write_text(
        re.sub(r"^temperature_c = .*$", "temperature_c = [45, 50]", batch, count=1, flags=re.MULTILINE)
    )
    terminal.type("vessel", "add", "FV2")
    terminal.type("batch", "end", "ferry-lane-pale")

    curve = terminal.type("curve", "add", "warm.csv")
    watched = terminal.type("batch", "add", "warm.toml", "--json")

    assert curve.code == watched.code == 0
    assert "solutions of 60 °C or more: if that is °F, write it in °C (15.6), and add the file again" in curve.err
    assert "a wanted range of 45 °C or more: if that is °F, write it in °C (7.2 to 10.0)" in watched.err
    assert "gylewatch batch change warm-ale warm.toml" in watched.err
    assert watched.json["temperature_c"] == [45.0, 50.0]
    assert "°F" not in terminal.type("curve", "add", "references.csv").err


def test_a_name_that_was_typed_wrong_is_taken_back(brewery: Terminal) -> None:
    brewery.type("float", "add", "herron")
    brewery.type("vessel", "add", "FV11")

    removed = brewery.type("float", "remove", "herron"), brewery.type("vessel", "remove", "FV11", "--json")

    assert removed[0].out == "float herron is removed\n"
    assert removed[1].json == {"vessel": "FV11", "removed": True}
    assert "herron" not in brewery.type("float", "list").out
    assert "FV11" not in brewery.type("vessel", "list").out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("float remove heron", "float 'heron' stays: the batch 'ferry-lane-pale' is measured with it"),
        ("vessel remove FV1", "vessel 'FV1' stays: the batch 'ferry-lane-pale' is or was in it"),
        ("float add", "Missing argument 'NAME...'"),
        ("float add a/b", "float name 'a/b' is not usable"),
        ("float add heron", "a float called 'heron' exists already"),
        ("curve list wren", "no float is called 'wren'; list them with: gylewatch float list"),
        ("curve add none.csv", "none.csv: there is no such file"),
        ("curve add references.csv --float wren", "references.csv: no row is of the float 'wren'"),
        ("batch add references.csv", "references.csv: is not valid TOML"),
        ("batch end other", "no batch is called 'other'"),
        ("batch end ferry-lane-pale --time yesterday", "--time: time 'yesterday' is not a time"),
        ("batch end ferry-lane-pale --time 2099-03-20T10:00:00Z", "--time: 2099-03-20 10:00Z lies in the future; end"),
        (
            "batch end ferry-lane-pale --time 2026-03-01T10:00:00Z",
            "--time: 2026-03-01 10:00Z lies before the batch was pitched, at 2026-03-02 18:30Z; give a later time",
        ),
        (
            "batch change ferry-lane-pale future.toml",
            "future.toml: batch.pitched = 2099-03-02 18:30Z lies in the future",
        ),
        ("batch add future.toml", "or check date and time zone (Z is UTC)"),
        ("sample list ferry", "no batch is called 'ferry'; its id is 'ferry-lane-pale', if that one is meant"),
        ("batch end Ferry_Lane_Pale", "no batch is called 'Ferry_Lane_Pale'; its id is 'ferry-lane-pale'"),
        (
            "sample add ferry-lane-pale --instrument hydrometer --value 1.04 --unit SG --temperature-c 20"
            " --time 2026-03-05T18:30",
            "--time: time '2026-03-05T18:30' says no time zone; add Z for UTC",
        ),
        ("sample list other", "no batch is called 'other'; list them with: gylewatch batch list"),
        ("status --config other.toml", "other.toml: there is no such file; write one with: gylewatch init"),
        ("brew", "did you mean 'brewday'?"),
        ("xyzzy", "No such command 'xyzzy'"),
        ("notify-test", "there is no [[notify]]"),
        ("vessel add FV9 --volume-l much", "'much' is not a plain number"),
    ],
)
def test_a_mistake_is_one_line_with_exit_code_2(brewery: Terminal, words: str, message: str) -> None:
    future = (brewery.folder / "batch.toml").read_text().replace("2026-03-02", "2099-03-02")
    (brewery.folder / "future.toml").write_text(future)

    answer = brewery.type(*words.split())

    assert answer.code == 2
    assert message in answer.err
    assert answer.err.count("\n") == 1
    assert answer.out == ""


def test_a_batch_whose_vessel_is_unknown_is_refused(terminal: Terminal) -> None:
    write_batch(terminal.folder)
    terminal.type("init")
    terminal.type("float", "add", "heron")

    answer = terminal.type("batch", "add", "batch.toml")

    assert answer.code == 2
    assert "no vessel is called 'FV1'" in answer.err


def test_the_configuration_is_found_by_the_environment(terminal: Terminal, monkeypatch: pytest.MonkeyPatch) -> None:
    terminal.type("init", "elsewhere")
    monkeypatch.setenv("GYLEWATCH_CONFIG", str(terminal.folder / "elsewhere" / "gylewatch.toml"))

    assert terminal.type("float", "list").code == 0


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (StorageError("disk full", retry=True), 1),
        (StorageError("not a database", retry=False), 2),
        (TransportError("broker away"), 1),
        (DeliveryError("phone", retry=True, reason="busy"), 1),
        (DeliveryError("phone", retry=False, reason="gone"), 2),
        (CalibrationError("two points"), 2),
        (NotFound("batch", "x"), 2),
        (AlreadyExists("float", "x"), 2),
        (click.UsageError("no such option"), 2),
        (KeyboardInterrupt(), 130),
        (RuntimeError("line one\nline two"), 70),
    ],
)
def test_the_exit_code_says_whether_trying_again_may_help(error: BaseException, code: int) -> None:
    assert cli.answer(error)[0] == code


def test_a_fault_of_the_program_shows_no_traceback_unless_asked(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("the moon\nis full")

    monkeypatch.setattr("storage.store.Store.open", broken)

    quiet, loud = terminal.type("init", "a"), terminal.type("--debug", "init", "b")

    assert quiet.code == loud.code == 70
    assert quiet.err.count("\n") == 1
    assert "RuntimeError: the moon is full" in quiet.err
    assert "Traceback" in loud.err


def run_python(code: str, arguments: Sequence[str] = ()) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False)


def test_help_lists_every_command_without_loading_any_of_them() -> None:
    done = run_python(
        "import sys\n"
        "from gylewatch import cli\n"
        "code = cli.run(['--help'])\n"
        "print(sorted(name for name in sys.modules if name in ('numpy', 'sqlalchemy', 'fastapi', 'paho')))\n"
        "sys.exit(code)\n"
    )

    assert done.returncode == 0
    assert done.stdout.endswith("[]\n")
    for name, (_, text) in cli.COMMANDS.items():
        assert f"  {name} " in done.stdout
        assert text[:30] in done.stdout


@pytest.mark.parametrize("name", list(cli.COMMANDS))
def test_the_list_of_commands_says_what_each_command_says_of_itself(name: str) -> None:
    command = cli.cli.get_command(click.Context(cli.cli), name)

    assert command is not None
    assert command.help is not None
    assert command.help.startswith(cli.COMMANDS[name][1].rstrip("."))


def test_a_closed_pipe_is_nothing_to_talk_about(tmp_path: Path) -> None:
    environment = {**os.environ, "GYLEWATCH_CONFIG": str(tmp_path / "gylewatch.toml")}
    program = "import sys; from gylewatch.cli import main; main(sys.argv[1:])"
    subprocess.run([sys.executable, "-c", program, "init", str(tmp_path)], check=True, capture_output=True)
    reader, writer = os.pipe()
    os.close(reader)

    done = subprocess.run(
        [sys.executable, "-c", program, "status"], stdout=writer, stderr=subprocess.PIPE, env=environment, check=False
    )
    os.close(writer)

    assert done.stderr == b""
