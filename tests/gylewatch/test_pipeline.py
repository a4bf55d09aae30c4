"""The composed course of one batch: pure, and its state survives being written down."""

from __future__ import annotations

import struct
import zlib
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from alerts.alert import Alert, Kind
from alerts.settings import AlertSettings
from calibration.fit import fit_curve
from gylewatch import pipeline
from gylewatch.batch_file import read_batch
from gylewatch.tables import read_references
from gylewatch.values import Instrument, Reading, Sample, Unit
from tests.gylewatch.brew import PITCHED, pale_readings, write_batch, write_references

READINGS = pale_readings(60)
SAMPLE = Sample(time=PITCHED, instrument=Instrument.HYDROMETER, value=1.0115, unit=Unit.SG, sample_temperature_c=20.0)


@pytest.fixture(scope="module")
def course(tmp_path_factory: pytest.TempPathFactory) -> pipeline.Course:
    folder: Path = tmp_path_factory.mktemp("course")
    return pipeline.Course(
        batch=read_batch(write_batch(folder)),
        curve=fit_curve(read_references(write_references(folder))),
        alert_settings=AlertSettings(),
    )


def after(course: pipeline.Course, count: int) -> pipeline.State:
    state = pipeline.start(course)
    for reading in READINGS[:count]:
        state = pipeline.on_reading(course, state, reading).state
    return state


def test_a_state_that_was_written_down_goes_on_exactly_as_the_one_in_memory(course: pipeline.Course) -> None:
    state = after(course, 30)
    restored = pipeline.decode_state(pipeline.encode_state(state), course.batch)

    for reading in READINGS[30:]:
        outcome, other = pipeline.on_reading(course, state, reading), pipeline.on_reading(course, restored, reading)
        state, restored = outcome.state, other.state
        assert outcome.estimate == other.estimate
        assert outcome.alerts == other.alerts


def test_a_reading_from_before_pitching_changes_nothing(course: pipeline.Course) -> None:
    state = pipeline.start(course)
    early = pale_readings(1, PITCHED - timedelta(days=1))[0]

    outcome = pipeline.on_reading(course, state, early)

    assert outcome == pipeline.Outcome(state=state, estimate=None)


def test_a_sample_draws_the_estimate_towards_it(course: pipeline.Course) -> None:
    state = after(course, 60)
    before = pipeline.on_reading(course, after(course, 59), READINGS[59]).estimate
    assert before is not None
    true_sg = before.gravity_sg + 0.003
    sample = Sample(
        time=READINGS[59].time,
        instrument=Instrument.DENSITY_METER,
        value=true_sg,
        unit=Unit.SG,
        sample_temperature_c=20.0,
    )

    outcome = pipeline.on_sample(course, state, sample)

    assert outcome.estimate is not None
    assert abs(outcome.estimate.gravity_sg - true_sg) < abs(before.gravity_sg - true_sg)


def test_a_tick_alone_tells_of_silence(course: pipeline.Course) -> None:
    state = after(course, 40)

    outcome = pipeline.on_tick(course, state, READINGS[39].time + timedelta(days=1))

    assert [alert.kind for alert in outcome.alerts] == ["float-silent"]
    assert outcome.estimate is None


@pytest.mark.parametrize(
    "damage",
    [
        lambda written: b"",
        lambda written: b"gylewatch state 0\n" + written[18:],
        lambda written: written[:-5] + bytes([written[-5] ^ 1]) + written[-4:],
        lambda written: written[:40],
        lambda written: written[:-7],
        lambda written: written.replace(b"{", b"[", 1),
        lambda written: written[:-200] + bytes(200),
    ],
)
def test_a_state_of_another_version_or_a_damaged_one_is_refused(course: pipeline.Course, damage) -> None:  # type: ignore[no-untyped-def]
    written = pipeline.encode_state(after(course, 20))

    with pytest.raises(pipeline.StaleState):
        pipeline.decode_state(damage(written), course.batch)


def test_alerts_that_are_nested_without_end_make_a_stale_state(course: pipeline.Course) -> None:
    written = pipeline.encode_state(after(course, 20))
    magic, body = written[: written.index(b"\n") + 1], written[written.index(b"\n") + 5 :]
    facts, (length,), nested = body[:4], struct.unpack_from(">I", body, 4), b"[" * 100_000
    body = facts + struct.pack(">I", len(nested)) + nested + body[8 + length :]

    with pytest.raises(pipeline.StaleState, match="recursion"):
        pipeline.decode_state(magic + struct.pack(">I", zlib.crc32(body)) + body, course.batch)


def lifted(count: int, first: int, last: int, by_deg: float) -> list[Reading]:
    """The pale ale's readings, some of them with the float's angle lifted."""
    return [
        replace(reading, angle_deg=reading.angle_deg + by_deg) if first <= index < last else reading
        for index, reading in enumerate(pale_readings(count))
    ]


def told(course: pipeline.Course, readings: list[Reading]) -> list[Alert]:
    state = pipeline.start(course)
    alerts: list[Alert] = []
    for reading in readings:
        outcome = pipeline.on_reading(course, state, reading)
        state = outcome.state
        alerts += outcome.alerts
    return alerts


def test_a_float_that_shows_more_than_went_in_is_told_though_the_estimate_does_not_believe_it(
    course: pipeline.Course,
) -> None:
    # 10 degrees are some 19 points on this float (0.66 - 2 * 0.0012 * 51 degrees a point).
    alerts = told(course, lifted(60, 20, 60, by_deg=10.0))

    (implausible,) = [alert for alert in alerts if alert.kind is Kind.GRAVITY_IMPLAUSIBLE]
    assert implausible.evidence["float_reads_sg"] > 1.062  # type: ignore[operator]
    assert implausible.evidence["gravity_sg"] < 1.055  # type: ignore[operator]
    assert Kind.CALIBRATION_SUSPECT not in {alert.kind for alert in alerts}, "one cause, one alert"


def test_wild_packets_neither_end_nor_hide_an_implausible_gravity(course: pipeline.Course) -> None:
    readings = lifted(60, 20, 60, by_deg=10.0)
    for index in (25, 33, 45):
        readings[index] = replace(readings[index], angle_deg=5.0)

    of_gravity = [each for each in told(course, readings) if Kind.GRAVITY_IMPLAUSIBLE in (each.kind, each.resolves)]

    assert [alert.resolves for alert in of_gravity] == [None]


def test_a_float_that_reads_low_in_the_wort_is_told_though_it_looks_like_a_fermentation(
    course: pipeline.Course,
) -> None:
    alerts = told(course, lifted(32, 0, 32, by_deg=-6.0))  # some ten points

    (suspect,) = [alert for alert in alerts if alert.kind is Kind.CALIBRATION_SUSPECT]
    assert suspect.time - PITCHED < timedelta(hours=6)
    assert "points below the measured original gravity" in suspect.summary


def test_a_curve_that_is_itself_uncertain_accuses_no_float(course: pipeline.Course, tmp_path: Path) -> None:
    sure = read_references(write_references(tmp_path))
    vague = fit_curve([replace(point, gravity_sd_sg=0.006) for point in sure])  # read to six points in a jug, say

    alerts = told(replace(course, curve=vague), lifted(32, 0, 32, by_deg=-6.0))

    assert {alert.kind for alert in alerts}.isdisjoint({Kind.CALIBRATION_SUSPECT, Kind.GRAVITY_IMPLAUSIBLE})


@pytest.mark.parametrize("angle_deg", [0.0, 20.0])
def test_a_float_that_always_says_one_angle_does_not_tell_a_finish(course: pipeline.Course, angle_deg: float) -> None:
    state, told = pipeline.start(course), list[Alert]()
    for reading in pale_readings(320):
        outcome = pipeline.on_reading(course, state, replace(reading, angle_deg=angle_deg))
        state = outcome.state
        told.extend(outcome.alerts)

    assert "attenuation-plateau" in {alert.kind for alert in told}
    assert "fermentation-finished" not in {alert.kind for alert in told}


def test_two_hand_samples_tell_the_finish_for_a_float_that_joined_too_late(course: pipeline.Course) -> None:
    state, told = pipeline.start(course), list[Alert]()
    late = [reading for reading in pale_readings(640) if reading.time - PITCHED > timedelta(hours=115)]
    first = replace(SAMPLE, time=late[4].time)
    second = replace(SAMPLE, time=first.time + timedelta(hours=37))
    samples = [first, second]
    for reading in late:
        while samples and samples[0].time <= reading.time:
            outcome = pipeline.on_sample(course, state, samples.pop(0))
            told.extend(outcome.alerts)
            state = outcome.state
        outcome = pipeline.on_reading(course, state, reading)
        told.extend(outcome.alerts)
        state = outcome.state

    (finished,) = [alert for alert in told if alert.kind == "fermentation-finished" and alert.resolves is None]
    assert finished.time == second.time
