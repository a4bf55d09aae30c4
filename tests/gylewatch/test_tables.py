"""The contract's CSV files are read strictly: a fault is named with file, row and remedy."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gylewatch.errors import InputError
from gylewatch.tables import parse_time, read_readings, read_references, read_samples
from gylewatch.values import Instrument, Unit

READINGS = "time,float,angle_deg,temperature_c,battery_v,rssi_dbm"
SAMPLES = "time,instrument,value,unit,sample_temperature_c"
REFERENCES = "float,angle_deg,angle_sd_deg,gravity_sg,gravity_sd_sg,temperature_c"
GOOD = "2026-03-02T18:30:00Z,heron,45.5,19.2,3.91,-70"


def written(tmp_path: Path, *lines: str, name: str = "readings.csv", encoding: str = "utf-8", end: str = "\n") -> Path:
    path = tmp_path / name
    path.write_bytes((end.join(lines) + end).encode(encoding))
    return path


def test_a_row_is_read_in_the_contract_s_units(tmp_path: Path) -> None:
    path = written(tmp_path, READINGS, GOOD)

    ((row, fields),) = read_readings(path)

    assert row == 2
    assert (fields.float_name, fields.angle_deg, fields.temperature_c) == ("heron", 45.5, 19.2)
    assert (fields.battery_v, fields.rssi_dbm) == (3.91, -70)
    assert fields.time == datetime(2026, 3, 2, 18, 30, tzinfo=UTC)


def test_battery_and_signal_may_be_empty(tmp_path: Path) -> None:
    ((_, fields),) = read_readings(written(tmp_path, READINGS, "2026-03-02T18:30:00Z,heron,45.5,19.2,,"))

    assert fields.battery_v is None
    assert fields.rssi_dbm is None


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_file_saved_by_a_spreadsheet_on_another_system_is_read_the_same(
    tmp_path: Path, encoding: str, end: str
) -> None:
    path = written(tmp_path, READINGS, GOOD, encoding=encoding, end=end)

    assert len(read_readings(path)) == 1


def test_an_absurd_but_well_formed_row_is_left_to_the_collector(tmp_path: Path) -> None:
    path = written(tmp_path, READINGS, "2026-03-02T18:30:00Z,heron,500,-127,,")

    ((_, fields),) = read_readings(path)

    assert fields.angle_deg == 500


def test_a_time_in_another_zone_becomes_utc(tmp_path: Path) -> None:
    ((_, fields),) = read_readings(written(tmp_path, READINGS, "2026-03-02T20:30:00+02:00,heron,45,19,,"))

    assert fields.time == datetime(2026, 3, 2, 18, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        ("2026-03-02T18:30:00,heron,45,19,,", "says no time zone; add Z"),
        ("yesterday,heron,45,19,,", "'yesterday' is not a time"),
        (",heron,45,19,,", "'' is not a time"),
        ("0001-01-01T00:00:00+14:00,heron,45,19,,", "outside the calendar"),
        ("2026-03-02T18:30:00Z,,45,19,,", "float is empty"),
        ("2026-03-02T18:30:00Z,heron,,19,,", "angle_deg is empty"),
        ('2026-03-02T18:30:00Z,heron,"45,5",19,,', "has a decimal comma; write a point, 45.5"),
        (
            "2026-03-02T18:30:00Z,heron,45,5,19,2,,",
            "8 columns, but the header has 6; decimals are written with a point",
        ),
        ("2026-03-02T18:30:00Z,heron,45", "3 columns, but the header has 6"),
        ("2026-03-02T18:30:00Z,heron,nan,19,,", "'nan' is not a measurement"),
        ("2026-03-02T18:30:00Z,heron,45,-Infinity,,", "'-Infinity' is not a measurement"),
        ("2026-03-02T18:30:00Z,heron,1_0,19,,", "'1_0' is not a number"),
        ("2026-03-02T18:30:00Z,heron,1e999,19,,", "too large"),
        ("2026-03-02T18:30:00Z,heron,45,19,low,", "battery_v 'low' is not a number"),
        ('2026-03-02T18:30:00Z,heron,"45"x,19,,', "is not valid CSV"),
    ],
)
def test_a_malformed_row_is_named_with_its_number_and_reason(tmp_path: Path, bad: str, reason: str) -> None:
    path = written(tmp_path, READINGS, GOOD, bad)

    with pytest.raises(InputError) as refusal:
        read_readings(path)

    assert "readings.csv row 3: " in str(refusal.value)
    assert reason in str(refusal.value)
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize(
    ("header", "reason"),
    [
        (READINGS.replace(",", ";"), "must be separated by commas"),
        (READINGS.replace(",rssi_dbm", ""), "lacks rssi_dbm"),
        (READINGS + ",note", "unknown columns: note"),
        ("float,time,angle_deg,temperature_c,battery_v,rssi_dbm", "another order"),
        (GOOD, "lacks time"),
    ],
)
def test_a_wrong_header_is_explained(tmp_path: Path, header: str, reason: str) -> None:
    with pytest.raises(InputError, match="row 1") as refusal:
        read_readings(written(tmp_path, header, GOOD))

    assert reason in str(refusal.value)
    assert READINGS in str(refusal.value)


def test_empty_missing_and_binary_files_are_told_apart(tmp_path: Path) -> None:
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "only.csv").write_text(READINGS + "\n")
    (tmp_path / "latin.csv").write_bytes(READINGS.encode() + b"\n2026-03-02T18:30:00Z,h\xe9ron,45,19,,\n")

    for name, reason in (
        ("empty.csv", "is empty"),
        ("only.csv", "no rows"),
        ("latin.csv", "not UTF-8"),
        ("none.csv", "no such file"),
        (".", "cannot be read"),
    ):
        with pytest.raises(InputError, match=reason):
            read_readings(tmp_path / name)


def test_a_brewer_who_has_drawn_no_sample_yet_has_a_file_with_a_header_only(tmp_path: Path) -> None:
    (tmp_path / "samples.csv").write_text(SAMPLES + "\n")

    assert read_samples(tmp_path / "samples.csv") == ()


def test_samples_come_in_order_of_time_with_their_row(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        SAMPLES,
        "2026-03-05T08:00:00Z,refractometer,8.2,Brix,20",
        "2026-03-03T08:00:00Z,hydrometer,1.048,SG,18.5",
        name="samples.csv",
    )

    samples = read_samples(path)

    assert [row for row, _ in samples] == [3, 2]
    assert samples[0][1].instrument is Instrument.HYDROMETER
    assert samples[1][1].unit is Unit.BRIX


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        ("2026-03-03T08:00:00Z,hydrometer,12.5,SG,18.5", "12.5 is no SG"),
        ("2026-03-03T08:00:00Z,refractometer,1048,Brix,18.5", "1048 is no Brix"),
        ("2026-03-03T08:00:00Z,spindle,1.048,SG,18.5", "instrument 'spindle' is not one of hydrometer"),
        ("2026-03-03T08:00:00Z,hydrometer,1.048,sg,18.5", "unit 'sg' is not one of SG"),
        ("2026-03-03T08:00:00Z,hydrometer,1.048,SG,180", "sample temperature 180 °C is outside"),
    ],
)
def test_a_wrong_sample_is_refused_with_its_row(tmp_path: Path, bad: str, reason: str) -> None:
    with pytest.raises(InputError) as refusal:
        read_samples(written(tmp_path, SAMPLES, bad, name="samples.csv"))

    assert "samples.csv row 2: " in str(refusal.value)
    assert reason in str(refusal.value)


def test_a_reference_s_standard_deviations_may_be_empty(tmp_path: Path) -> None:
    path = written(tmp_path, REFERENCES, "heron,25.0,,1.000,,20", "heron,60,0.2,1.06,0.0005,20", name="references.csv")

    plain, stated = read_references(path)

    assert (plain.angle_sd_deg, plain.gravity_sd_sg) == (None, None)
    assert (stated.angle_sd_deg, stated.gravity_sd_sg) == (0.2, 0.0005)


@pytest.mark.parametrize(
    ("gravity", "temperature", "reason"),
    [
        # ASBC table: 10 °P is 1.0400. 68 °F is exactly 20 °C.
        ("0", "20", "gravity_sg 0 is outside 0.97 to 1.25; is that Brix or °P? as SG it would be about 1.000"),
        ("10", "20", "is that Brix or °P? as SG it would be about 1.040 (if it is points, 1.010)"),
        ("75", "20", "are those points? as SG they are 1.075"),
        ("1040", "20", "did you mean 1.040?"),
        ("1.040", "68", "temperature_c 68 is outside 0 to 60; is that °F? in °C it would be 20.0"),
        ("5000", "20", "gravity 5000 SG is outside 0.97 to 1.25 SG"),
        ("1.040", "-40", "temperature -40 °C is outside 0 to 60 °C"),
    ],
)
def test_a_reference_in_another_unit_is_asked_back_and_never_converted(
    tmp_path: Path, gravity: str, temperature: str, reason: str
) -> None:
    path = written(tmp_path, REFERENCES, f"heron,40,,{gravity},,{temperature}", name="references.csv")

    with pytest.raises(InputError) as refusal:
        read_references(path)

    assert "references.csv row 2: " in str(refusal.value)
    assert reason in str(refusal.value)


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [("gravity_sg", "gravity_plato"), ("gravity_sg", "gravity_brix"), ("temperature_c", "temperature_f")],
)
def test_a_column_named_for_another_unit_is_told_what_to_write(tmp_path: Path, ours: str, theirs: str) -> None:
    path = written(tmp_path, REFERENCES.replace(ours, theirs), "heron,40,,1.04,,20", name="references.csv")

    with pytest.raises(InputError, match=f"lacks {ours} but has {theirs}: write its values in the unit of {ours}"):
        read_references(path)


@given(st.datetimes(min_value=datetime(1900, 1, 1), max_value=datetime(2200, 1, 1)))  # noqa: DTZ001  made aware below
def test_every_time_written_by_us_reads_back_the_same(naive: datetime) -> None:
    time = naive.replace(tzinfo=UTC)

    assert parse_time(time.isoformat().replace("+00:00", "Z")) == time


@given(st.text())
def test_any_text_is_a_time_or_a_value_error(text: str) -> None:
    try:
        assert parse_time(text).tzinfo is UTC
    except ValueError as error:
        assert "\n" not in str(error)  # noqa: PT017  most texts are refused; some happen to be times


@pytest.mark.parametrize(
    ("angle_sd", "gravity_sd", "why"),
    [("-0.1", "", "angle_sd_deg -0.1 is outside 0 to 30"), ("", "0.5", "gravity_sd_sg 0.5 is outside 0 to 0.1 SG")],
)
def test_a_spread_that_was_meant_in_another_unit_is_refused(
    tmp_path: Path, angle_sd: str, gravity_sd: str, why: str
) -> None:
    path = written(tmp_path, REFERENCES, f"heron,25.1,{angle_sd},1.0,{gravity_sd},20", name="references.csv")

    with pytest.raises(InputError, match=f"row 2.*{why}"):
        read_references(path)
