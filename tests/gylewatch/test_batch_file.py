"""A batch is written down as TOML; every slip is named with its key."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from gylewatch.batch_file import read_batch
from gylewatch.errors import InputError
from gylewatch.values import HandSettings

# The contract's own example.
HARBOUR = """\
[batch]
name = "Harbour Pale"
volume_l = 21.0
pitched = 2026-03-02T18:30:00Z
original_gravity = 1.0520          # optional: measured at pitching
expected_attenuation = [0.74, 0.80] # apparent attenuation range of the yeast, as fractions
temperature_c = [18.0, 20.5]       # wanted range
vessel = "FV1"
float = "heron"
[[batch.plan]]                     # optional changes of the wanted range
from = 2026-03-09T08:00:00Z
temperature_c = [2.0, 5.0]
label = "cold crash"
"""


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "batch.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_contract_s_example_is_read(tmp_path: Path) -> None:
    batch = read_batch(written(tmp_path, HARBOUR))

    assert batch.name == "Harbour Pale"
    assert batch.pitched == datetime(2026, 3, 2, 18, 30, tzinfo=UTC)
    assert batch.original_gravity_sg == 1.052
    assert batch.expected_attenuation == (0.74, 0.80)
    assert batch.plan[0].label == "cold crash"
    assert batch.wanted_temperature_c(datetime(2026, 3, 9, 8, 0, tzinfo=UTC)) == (2.0, 5.0)


def test_the_original_gravity_and_the_plan_may_be_left_out(tmp_path: Path) -> None:
    text = HARBOUR.split("[[batch.plan]]", maxsplit=1)[0].replace("original_gravity", "# original_gravity")

    batch = read_batch(written(tmp_path, text))

    assert batch.original_gravity_sg is None
    assert batch.plan == ()


@pytest.mark.parametrize(("key", "points"), [("sucrose_g", 5.2), ("dextrose_g", 4.7), ("honey_g", 4.3)])
def test_an_addition_may_be_declared_in_grams(tmp_path: Path, key: str, points: float) -> None:
    addition = f"[[batch.addition]]\ntime = 2026-03-04T10:00:00Z\n{key} = 300\n"

    (found,) = read_batch(written(tmp_path, HARBOUR + addition)).additions

    # 300 g of sucrose raise 21 l from 1.0300 to 1.0352 (0.617 ml/g); of the others 0.91 and 0.82 are dry.
    assert found.gravity_points == points
    assert found.label == f"300 g of {key.removesuffix('_g')}"


def test_two_sugars_are_two_additions(tmp_path: Path) -> None:
    addition = "[[batch.addition]]\ntime = 2026-03-04T10:00:00Z\nsucrose_g = 300\nhoney_g = 200\n"

    with pytest.raises(InputError, match=r"sucrose_g = 300: and honey_g: write an addition for each sugar"):
        read_batch(written(tmp_path, HARBOUR + addition))


def test_an_addition_may_be_declared(tmp_path: Path) -> None:
    addition = '[[batch.addition]]\ntime = 2026-03-04T10:00:00Z\ngravity_points = 6\nlabel = "candy sugar"\n'

    batch = read_batch(written(tmp_path, HARBOUR + addition))

    assert batch.additions[0].gravity_points == 6.0


@pytest.mark.parametrize(
    ("written_as", "doubt"),
    [
        (
            "1.006",
            r"gravity_points = 1\.006: is that an SG\? as a rise it is 6 points; write a rise of about one point",
        ),
        ("1.06", "is that an SG\\? as a rise it is 60 points"),
        ("0.006", r"gravity_points = 0\.006: is that a difference in SG\? in points it is 6$"),
        ("1006", "must be 0 to 100 points"),
    ],
)
def test_an_addition_in_sg_where_points_are_wanted_is_asked_about(tmp_path: Path, written_as: str, doubt: str) -> None:
    addition = f"[[batch.addition]]\ntime = 2026-03-04T10:00:00Z\ngravity_points = {written_as}\n"

    with pytest.raises(InputError, match=doubt):
        read_batch(written(tmp_path, HARBOUR + addition))


@pytest.mark.parametrize("points", [0, 0.1, 0.5, 1, 1.0, 1.1, 1.25, 1.5, 12.345, 100])
def test_a_small_addition_in_points_is_taken_as_it_stands(tmp_path: Path, points: float) -> None:
    addition = f"[[batch.addition]]\ntime = 2026-03-04T10:00:00Z\ngravity_points = {points}\n"

    assert read_batch(written(tmp_path, HARBOUR + addition)).additions[0].gravity_points == points


def test_an_addition_before_pitching_is_refused(tmp_path: Path) -> None:
    addition = "[[batch.addition]]\ntime = 2026-03-01T10:00:00Z\n"

    with pytest.raises(
        InputError, match=r"batch\.addition\[1\]\.time = 2026-03-01T10:00:00\+00:00: lies before pitching"
    ):
        read_batch(written(tmp_path, HARBOUR + addition))


def test_a_step_of_the_plan_before_pitching_is_refused(tmp_path: Path) -> None:
    early = HARBOUR.replace("from = 2026-03-09T08:00:00Z", "from = 2026-03-02T18:29:59Z")
    at_pitching = HARBOUR.replace("from = 2026-03-09T08:00:00Z", "from = 2026-03-02T18:30:00Z")

    with pytest.raises(
        InputError,
        match=r"batch\.plan\[1\]\.from = 2026-03-02T18:29:59\+00:00: lies before pitching; what is wanted",
    ):
        read_batch(written(tmp_path, early))

    assert read_batch(written(tmp_path, at_pitching)).plan[0].start == read_batch(written(tmp_path, HARBOUR)).pitched


def test_a_plan_out_of_order_names_the_step(tmp_path: Path) -> None:
    earlier = "[[batch.plan]]\nfrom = 2026-03-08T08:00:00Z\ntemperature_c = [10.0, 12.0]\n"

    with pytest.raises(InputError, match="the plan's step from 2026-03-08T08:00:00Z stands below a later one"):
        read_batch(written(tmp_path, HARBOUR + earlier))


def test_two_steps_of_the_plan_at_one_time_are_asked_back(tmp_path: Path) -> None:
    same = "[[batch.plan]]\nfrom = 2026-03-09T08:00:00Z\ntemperature_c = [10.0, 12.0]\n"

    with pytest.raises(InputError, match="two steps of the plan begin at 2026-03-09T08:00:00Z; keep one of them"):
        read_batch(written(tmp_path, HARBOUR + same))


OWN = HandSettings(hydrometer_offset_sg=0.001)


def test_the_batch_s_own_instruments_come_before_the_brewery_s(tmp_path: Path) -> None:
    own = "[batch.instruments]\nhydrometer_calibration_c = 15.56\n"

    assert read_batch(written(tmp_path, HARBOUR)).instruments == HandSettings()
    assert read_batch(written(tmp_path, HARBOUR), instruments=OWN).instruments == OWN
    stated = read_batch(written(tmp_path, HARBOUR + own), instruments=OWN).instruments
    assert stated == HandSettings(hydrometer_calibration_c=15.56)


@pytest.mark.parametrize(
    ("found", "replacement", "message"),
    [
        ("= 1.0520", "= 1052", "did you mean 1.052?"),
        ("= 1.0520", "= 13.0", "is that Brix or °P? as SG it would be about 1.053"),
        ("= 1.0520", "= 52", "are those points? as SG they are 1.052"),
        ("= 1.0520", '= "1,052"', "with a point: original_gravity = 1.052"),
        ("= 1.0520", "= 1,0520", "write decimals with a point: 1.0520"),
        ("= 1.0520", "= " + "9" * 400, "must be 1.005 to 1.2"),
        ("volume_l = 21.0", "volume_l = 21e6", "must be 0.1 to 1000000 l"),
        ('"Harbour Pale"', '"Harbour\\u001b[31m"', "batch.name = 'Harbour\\x1b[31m': must be one line of at most 100"),
        ('"Harbour Pale"', f'"{"x" * 101}"', "must be one line of at most 100 characters"),
        ('"cold crash"', '"cold\\ncrash"', "batch.plan[1].label = 'cold\\ncrash': must be one line"),
        ("= 1.0520", "= " + "9" * 5000, "holds a number too long"),
        ("volume_l = 21.0", "volume_l = " + "9" * 400, "must be 0.1 to"),
        ("volume_l = 21.0", "volume_l = " + "[" * 5000, "nested too deep"),
        ("2026-03-02T18:30:00Z", "0001-01-01T00:00:00+23:00", "must lie between the years 1990 and 2100"),
        ("2026-03-02T18:30:00Z", "9999-12-31T23:59:00-23:00", "must lie between the years 1990 and 2100"),
        ("volume_l = 21.0", "", "batch.volume_l: is missing"),
        ("volume_l = 21.0", "volume_l = true", "batch.volume_l = True: must be a number"),
        ("volume_l = 21.0", "volume_l = -3", "batch.volume_l = -3: must be 0.1 to"),
        ("volume_l = 21.0", "volume = 21.0", "batch.volume_l: is missing; write a number; is 'volume' meant?"),
        ("label =", "lable =", "batch.plan[1].lable: unknown key; did you mean 'label'?"),
        ("2026-03-02T18:30:00Z", "2026-03-02T18:30:00", "batch.pitched = 2026-03-02T18:30:00: says no time zone"),
        ("2026-03-02T18:30:00Z", '"2026-03-02T18:30:00Z"', "must be a time without quotes"),
        ("2026-03-02T18:30:00Z", "2026-03-02", "batch.pitched = 2026-03-02: must be a time without quotes"),
        ("[0.74, 0.80]", "[74, 80]", "fractions, not percent"),
        ("[0.74, 0.80]", "[0.80, 0.74]", "low below high"),
        ("[18.0, 20.5]", "[64.0, 68.0]", "must be -5 to 50 °C; is that °F? in °C it would be 17.8 to 20.0"),
        ("[18.0, 20.5]", "[48, 52]", "batch.temperature_c = [48, 52]: must be -5 to 50 °C; is that °F?"),
        ("[2.0, 5.0]", "[36, 68]", "batch.plan[1].temperature_c = [36, 68]: must be -5 to 50 °C; is that °F?"),
        ("[18.0, 20.5]", "[18.0, 500.0]", "must be -5 to 50 °C"),
        ("[18.0, 20.5]", "[18.0, true]", "must be a number"),
        ('"FV1"', '"FV 1"', "batch.vessel"),
        ('"heron"', '"hér/on"', "batch.float"),
        ("1.0520 ", "12.9 ", "batch.original_gravity = 12.9: must be 1.005 to 1.2 SG"),
        ("[batch]", "[beer]", "beer: unknown key; known here: batch"),
        ("[batch]", "title = 'x'\n[batch]", "title: unknown key"),
        ("21.0", "21,0", "is not valid TOML"),
    ],
)
def test_a_slip_is_named_with_its_key_and_what_is_allowed(
    tmp_path: Path, found: str, replacement: str, message: str
) -> None:
    assert found in HARBOUR

    with pytest.raises(InputError) as refusal:
        read_batch(written(tmp_path, HARBOUR.replace(found, replacement, 1)))

    assert message in str(refusal.value)
    assert str(refusal.value).count("batch.toml") == 1
    assert "\n" not in str(refusal.value)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"batch\.toml: there is no such file"):
        read_batch(tmp_path / "batch.toml")


def test_a_file_without_a_batch_says_so(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"the table \[batch\] is missing"):
        read_batch(written(tmp_path, "# nothing yet\n"))
