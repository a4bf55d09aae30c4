"""``curve check-water``, ``recalibrate``, ``reread``, ``picture``, ``export`` and ``import`` over a real database."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from gylewatch.values import Instrument, Reading
from tests.gylewatch.workbench import BATCH, HERON, Terminal, angle_of, day, hand, readings
from tests.storage.examples import estimate


def shift_samples(workbench: Terminal, off_points: float) -> None:
    """Five density-meter samples that the float reads so many points too high."""
    with workbench.store() as store:
        for index, gravity in enumerate((1.047, 1.040, 1.030, 1.020, 1.012)):
            store.add_sample(BATCH, hand(Instrument.DENSITY_METER, day(1 + index), gravity))
            store.append_readings(readings(day(1 + index), gravity, off_points=off_points))


def test_plain_water_confirms_a_sound_float(workbench: Terminal) -> None:
    answer = workbench.type("curve check-water heron --angle 25.0 --temperature 20")

    assert answer.code == 0
    assert "within its uncertainty" in answer.out


def test_plain_water_convicts_a_float_that_is_three_points_off(workbench: Terminal) -> None:
    shown = workbench.type("curve check-water heron --angle 26.5 --temperature 20 --json").json

    assert shown["off_points"] == pytest.approx(3.0, abs=0.2)
    assert shown["agrees"] is False


def test_plain_water_can_be_read_from_the_live_float(workbench: Terminal) -> None:
    times = [datetime.now(UTC) - timedelta(seconds=10 * i) for i in range(8)]
    with workbench.store() as store:
        store.append_readings(
            [
                Reading(time=time, float_id=HERON, angle_deg=25.0 + 0.04 * (i % 2), temperature_c=20.0)
                for i, time in enumerate(times)
            ]
        )

    assert workbench.type("curve check-water heron --json").json["agrees"] is True


def test_hand_samples_move_the_curve_into_a_new_version_only_when_accepted(workbench: Terminal) -> None:
    shift_samples(workbench, 4.0)

    shown = workbench.type(f"curve recalibrate {BATCH} --json").json
    kept = workbench.type(f"curve recalibrate {BATCH} --accept --who Ada")

    assert -4.5 < shown["shift_points"] < -2.5
    assert shown["calibration_suspect"] is True
    assert shown["version"] is None
    assert "kept as version 2" in kept.out
    with workbench.store() as store:
        first, second = store.curves(HERON)
        assert (second.who, second.references) == ("Ada", first.references)
        angle = np.array([angle_of(1.034)])
        assert second.curve.evaluate(angle)[0][0] == pytest.approx(1.030, abs=0.001)
        assert first.curve.evaluate(angle)[0][0] == pytest.approx(1.034, abs=3e-4)


def test_samples_that_agree_are_not_called_suspect(workbench: Terminal) -> None:
    shift_samples(workbench, 0.0)

    answer = workbench.type(f"curve recalibrate {BATCH}")

    assert "calibration suspect" not in answer.out
    assert "nothing is kept yet" in answer.out


def test_a_batch_is_shown_under_both_curves_and_read_under_the_chosen_one(workbench: Terminal) -> None:
    shift_samples(workbench, 4.0)
    workbench.type(f"curve recalibrate {BATCH} --accept")

    shown = workbench.type(f"curve reread {BATCH} --json").json
    used = workbench.type(f"curve reread {BATCH} --use")

    assert (shown["present"], shown["other"], shown["used"]) == (1, 2, False)
    differences = [1000 * (row["other_sg"] - row["present_sg"]) for row in shown["days"]]
    assert all(-5.0 < difference < -2.0 for difference in differences)
    assert "version 1 stays" in used.out
    with workbench.store() as store:
        assert store.batch(BATCH).curve_version == 2
        assert len(store.curves(HERON)) == 2


def test_of_an_ended_batch_it_says_that_the_service_reads_it_again_to_its_end(workbench: Terminal) -> None:
    shift_samples(workbench, 4.0)
    workbench.type(f"curve recalibrate {BATCH} --accept")
    with workbench.store() as store:
        store.set_batch_curve(BATCH, 1)
        store.end_batch(BATCH, day(7))
        store.save_outcomes(BATCH, state=b"state", cursor=1, channels=())

    used = workbench.type(f"curve reread {BATCH} --use")
    again = workbench.type(f"curve reread {BATCH} --use")

    assert "under version 2 from now on, and again from its pitching to its end: by the service" in used.out
    assert "is read under version 2 already; nothing changes" in again.out
    with workbench.store() as store:
        assert [record.batch_id for record in store.broken_off()] == [BATCH]


def test_an_ended_batch_whose_readings_are_deleted_stays_under_its_curve(workbench: Terminal) -> None:
    shift_samples(workbench, 4.0)
    workbench.type(f"curve recalibrate {BATCH} --accept")
    with workbench.store() as store:
        store.set_batch_curve(BATCH, 1)
        first = replace(estimate(0), time=day(0))
        store.save_outcomes(BATCH, estimates=[first], state=b"state", cursor=1, channels=())
        store.end_batch(BATCH, day(7))

    refused = workbench.type(f"curve reread {BATCH} --use")

    assert refused.code == 2
    assert "are deleted, and it cannot be read again; its estimates stay under the curve that it has" in refused.err
    with workbench.store() as store:
        assert store.batch(BATCH).curve_version == 1
        assert store.state(BATCH) is not None


def test_an_exported_curve_comes_back_as_an_equal_new_version(workbench: Terminal) -> None:
    (workbench.folder / "curve.json").write_text(workbench.type("curve export heron").out)

    assert workbench.type("curve import curve.json --who Grace").code == 0

    with workbench.store() as store:
        first, second = store.curves(HERON)
        assert second.curve == first.curve
        assert second.references == first.references
        assert (first.who, second.who) == ("Ada", "Grace")


@pytest.mark.parametrize(
    ("damage", "why"),
    [
        ({"format": "other"}, "is no exported curve"),
        ({"curve": {}}, "not a curve exported by gylewatch"),
        ({"references": [{"angle": 1}]}, "reference points cannot be used"),
    ],
)
def test_a_damaged_export_is_refused_and_nothing_is_kept(
    workbench: Terminal, damage: dict[str, object], why: str
) -> None:
    document = {**workbench.type("curve export heron").json, **damage}
    (workbench.folder / "curve.json").write_text(json.dumps(document))

    answer = workbench.type("curve import curve.json")

    assert answer.code == 2
    assert why in answer.err
    with workbench.store() as store:
        assert len(store.curves(HERON)) == 1


@pytest.mark.parametrize(("number", "why"), [(1e308, "past its reference point 1"), (10**400, "hundreds of digits")])
def test_a_curve_that_has_nothing_to_do_with_its_points_is_refused(
    workbench: Terminal, number: float, why: str
) -> None:
    document = workbench.type("curve export heron").json
    document["curve"]["coefficients"][0] = number
    (workbench.folder / "curve.json").write_text(json.dumps(document))

    answer = workbench.type("curve import curve.json")

    assert answer.code == 2
    assert why in answer.err


def test_a_file_nested_too_deep_is_no_exported_curve(workbench: Terminal) -> None:
    (workbench.folder / "deep.json").write_text("[" * 100_000)

    answer = workbench.type("curve import deep.json")

    assert answer.code == 2
    assert "deep.json: is nested too deep for an exported curve" in answer.err


def test_the_picture_shows_curve_band_points_and_residuals(workbench: Terminal) -> None:
    answer = workbench.type("curve picture heron")
    drawing, _, table = answer.out.partition("*  curve")

    # Five points on a straight law of 0.5 degrees a point: the drawing rises from left to right.
    columns = [line.index("o") for line in drawing.splitlines() if "o" in line.split("|")[-1]]
    assert len(columns) >= 4
    assert columns == sorted(columns, reverse=True)
    assert "*" in drawing
    assert "off the curve" in table
    assert table.count("deg") == 5


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ("curve check-water heron", "no reading yet: wake the float"),
        ("curve check-water heron --angle 25 --temperature 68", "in °C it would be 20.0"),
        ("curve check-water wren --angle 25 --temperature 20", "no float is called 'wren'"),
        (f"curve recalibrate {BATCH}", "no hand sample with readings"),
        (f"curve reread {BATCH} --version 7", "version 7"),
        ("curve export heron --version " + "9" * 40, "is not in the range 1<=x<=2147483647"),
        ("curve import none.json", "there is no such file"),
        ("curve import batch.toml", "is not JSON"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_line(workbench: Terminal, words: str, why: str) -> None:
    answer = workbench.type(words)

    assert answer.code == 2
    assert why in answer.err
    assert "\n" not in answer.err


def test_a_file_that_is_no_text_is_no_exported_curve(workbench: Terminal) -> None:
    (workbench.folder / "curve.json").write_bytes(b"\xff\xfe\x00h")

    answer = workbench.type("curve import curve.json")

    assert answer.code == 2
    assert "curve.json: is no text; use a file that curve export wrote" in answer.err
