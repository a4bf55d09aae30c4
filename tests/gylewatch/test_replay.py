"""The contract's replay: the live course over recorded readings, causal, all or nothing."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from gylewatch import cli
from gylewatch.tables import parse_time
from tests.eventually import eventually
from tests.gylewatch.brew import PITCHED, SAMPLES_HEADER, Recording, iso, recording

# As the contract writes it.
ESTIMATES_HEADER = (
    "time,gravity_sg,gravity_low_sg,gravity_high_sg,rate_points_per_day,apparent_attenuation,abv_percent,phase,"
    "final_gravity_sg,final_gravity_low_sg,final_gravity_high_sg,finish_time,finish_low,finish_high"
)
PHASES = {"lag", "active", "slowing", "finished", "stalled", "conditioning"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    code: int
    said: str
    estimates: tuple[str, ...]  # lines; none: not written
    alerts: tuple[str, ...]

    def alert(self, kind: str) -> dict[str, Any]:
        """The first alert of a kind that was raised."""
        found = [json.loads(line) for line in self.alerts]
        return next(each for each in found if each["kind"] == kind and each["resolves"] is None)


@pytest.fixture
def brew(tmp_path: Path) -> Recording:
    return recording(tmp_path, 150)


def replayed(
    brew: Recording, capsys: pytest.CaptureFixture[str], rows: tuple[str, ...] | None = None, *more: str
) -> Result:
    estimates, alerts = brew.folder / "estimates.csv", brew.folder / "alerts.jsonl"
    estimates.unlink(missing_ok=True)
    alerts.unlink(missing_ok=True)
    code = cli.run([*arguments(brew, rows), *more])
    return Result(code=code, said=capsys.readouterr().err, estimates=lines(estimates), alerts=lines(alerts))


def arguments(brew: Recording, rows: tuple[str, ...] | None = None) -> list[str]:
    return [
        "replay",
        *("--readings", str(brew.readings(rows))),
        *("--references", str(brew.references)),
        *("--batch", str(brew.batch)),
        *("--estimates", str(brew.folder / "estimates.csv")),
        *("--alerts", str(brew.folder / "alerts.jsonl")),
    ]


def lines(path: Path) -> tuple[str, ...]:
    return tuple(path.read_text(encoding="utf-8").splitlines()) if path.exists() else ()


def with_hydrometer(brew: Recording, capsys: pytest.CaptureFixture[str], value: str, instruments: str) -> Result:
    """The replay with one hydrometer sample and a description of the hydrometer."""
    plain = brew.batch.read_text(encoding="utf-8")
    brew.batch.write_text(plain + instruments, encoding="utf-8")
    samples = brew.folder / "samples.csv"
    time = iso(PITCHED + timedelta(hours=20))
    samples.write_text(f"{SAMPLES_HEADER}\n{time},hydrometer,{value},SG,20\n", encoding="utf-8")
    result = replayed(brew, capsys, None, "--samples", str(samples))
    brew.batch.write_text(plain, encoding="utf-8")
    return result


def times(result: Result) -> list[datetime]:
    return [parse_time(line.split(",")[0]) for line in result.estimates[1:]]


def test_each_accepted_reading_gives_a_row_as_the_contract_describes_it(
    brew: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    result = replayed(brew, capsys)

    assert result.code == 0
    assert result.estimates[0] == ESTIMATES_HEADER
    assert [line.split(",")[0] for line in result.estimates[1:]] == [row.split(",")[0] for row in brew.rows]
    for line in result.estimates[1:]:
        cells = line.split(",")
        assert len(cells) == 14
        low, middle, high = float(cells[2]), float(cells[1]), float(cells[3])
        assert low <= middle <= high
        assert cells[7] in PHASES


def test_alerts_are_json_lines_with_the_contract_s_members(brew: Recording, capsys: pytest.CaptureFixture[str]) -> None:
    result = replayed(brew, capsys)

    started = result.alert("fermentation-started")

    assert list(started) == ["time", "kind", "severity", "summary", "evidence", "resolves"]
    assert PITCHED < parse_time(started["time"]) < PITCHED + timedelta(hours=30)
    assert started["evidence"]


@pytest.mark.parametrize("cut", [1, 2, 37, 98, 149])
def test_a_prefix_of_the_readings_gives_a_prefix_of_the_outputs(
    brew: Recording, capsys: pytest.CaptureFixture[str], cut: int
) -> None:
    whole = replayed(brew, capsys)

    part = replayed(brew, capsys, brew.rows[:cut])

    assert part.estimates == whole.estimates[: cut + 1]
    assert part.alerts == whole.alerts[: len(part.alerts)]


def test_repeated_absurd_and_foreign_rows_are_counted_and_change_nothing(
    brew: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = replayed(brew, capsys)
    time = brew.rows[60].split(",")[0]
    other = iso(parse_time(time) + timedelta(minutes=1))
    noise = (
        brew.rows[60],
        f"{other},heron,180,19.0,,",
        f"{other},heron,45.0,-127,,",
        f"{other},magpie,45.0,19.0,,",
        "1970-01-01T00:00:00Z,heron,45.0,19.0,,",
        "2106-02-07T06:28:15Z,heron,45.0,19.0,,",
    )

    noisy = replayed(brew, capsys, (*brew.rows[:61], *noise, *brew.rows[61:]))

    assert noisy.estimates == plain.estimates
    assert noisy.alerts == plain.alerts
    for counted in ("1 repeated", "2 out-of-range", "1 other-float", "1 too-old", "1 in-the-future"):
        assert counted in noisy.said


def test_a_battery_or_signal_that_cannot_be_true_costs_no_row_and_is_counted(
    brew: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = replayed(brew, capsys)
    broken = [f"{row.rsplit(',', 2)[0]},307.4,-61" for row in brew.rows[20:22]]
    broken.append(f"{brew.rows[22].rsplit(',', 2)[0]},,4000")

    result = replayed(brew, capsys, (*brew.rows[:20], *broken, *brew.rows[23:]))

    assert result.estimates == plain.estimates
    assert "3 rows kept without a battery or signal that cannot be true" in result.said
    assert "cannot be true" not in plain.said


@pytest.mark.parametrize("days", [0.3, 1, 30, 400])
@pytest.mark.parametrize("place", [0, 60, 150])
def test_one_row_far_ahead_is_left_out_and_counted_and_spoils_nothing(
    brew: Recording, capsys: pytest.CaptureFixture[str], days: float, place: int
) -> None:
    plain = replayed(brew, capsys)
    time, rest = brew.rows[min(place, 149)].split(",", 1)
    ahead = f"{iso(parse_time(time) + timedelta(days=days))},{rest}"

    result = replayed(brew, capsys, (*brew.rows[:place], ahead, *brew.rows[place:]))

    assert result.estimates == plain.estimates
    assert result.alerts == plain.alerts
    assert "1 unconfirmed-time" in result.said


def with_gaps(rows: tuple[str, ...], days: float, *before: int) -> tuple[str, ...]:
    """The rows with a gap of `days` before each of those rows."""
    shifted = []
    for index, row in enumerate(rows):
        time, rest = row.split(",", 1)
        gap = timedelta(days=days) * sum(index >= place for place in before)
        shifted.append(f"{iso(parse_time(time) + gap)},{rest}")
    return tuple(shifted)


@pytest.mark.parametrize("days", [0.5, 3, 40])
def test_real_gaps_lose_no_row_and_keep_a_prefix_a_prefix(
    brew: Recording, capsys: pytest.CaptureFixture[str], days: float
) -> None:
    rows = with_gaps(brew.rows, days, 0, 60, 110)
    whole = replayed(brew, capsys, rows)

    assert [line.split(",")[0] for line in whole.estimates[1:]] == [row.split(",")[0] for row in rows]
    for cut in (1, 2, 60, 61, 62, 111, 112):
        part = replayed(brew, capsys, rows[:cut])
        assert part.estimates == whole.estimates[: len(part.estimates)]
        assert part.alerts == whole.alerts[: len(part.alerts)]


def test_a_float_that_reports_twice_a_day_is_followed(brew: Recording, capsys: pytest.CaptureFixture[str]) -> None:
    rows = with_gaps(brew.rows[:20], 0.5, *range(1, 20))

    result = replayed(brew, capsys, rows)

    assert [line.split(",")[0] for line in result.estimates[1:]] == [row.split(",")[0] for row in rows]


def test_a_late_row_is_legal_and_does_not_change_what_was_said_before_it(
    brew: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = replayed(brew, capsys)
    late = (*brew.rows[:50], *brew.rows[51:60], brew.rows[50], *brew.rows[60:])

    result = replayed(brew, capsys, late)

    assert result.code == 0
    assert result.estimates[:51] == plain.estimates[:51]
    assert times(result) == sorted(times(result))


def test_a_sample_takes_effect_when_the_data_s_time_passes_it(
    brew: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = replayed(brew, capsys)
    drawn = parse_time(brew.rows[100].split(",")[0]) + timedelta(minutes=1)
    samples = brew.folder / "samples.csv"
    samples.write_text(f"{SAMPLES_HEADER}\n{iso(drawn)},density-meter,1.0330,SG,20.0\n", encoding="utf-8")

    result = replayed(brew, capsys, None, "--samples", str(samples))

    assert result.estimates[:102] == plain.estimates[:102]
    assert result.estimates[102] != plain.estimates[102]


@pytest.mark.parametrize(
    ("drawn", "said"),
    [
        ("2026-04-02T08:00:00Z,hydrometer,1.012", "1 sample later than the last reading"),
        (f"{iso(PITCHED - timedelta(hours=1))},hydrometer,1.05", "1 sample from before pitching had no effect"),
    ],
)
def test_a_sample_outside_the_watched_time_is_reported_as_unused(
    brew: Recording, capsys: pytest.CaptureFixture[str], drawn: str, said: str
) -> None:
    samples = brew.folder / "samples.csv"
    samples.write_text(f"{SAMPLES_HEADER}\n{drawn},SG,20.0\n", encoding="utf-8")

    result = replayed(brew, capsys, None, "--samples", str(samples))

    assert said in result.said


def test_a_sample_far_above_the_original_gravity_is_left_out_and_named_and_the_rest_is_used(
    brew: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    samples = brew.folder / "samples.csv"
    right = f"{SAMPLES_HEADER}\n{iso(PITCHED + timedelta(hours=20, minutes=5))},hydrometer,1.040,SG,20.0\n"
    samples.write_text(right, encoding="utf-8")
    without = replayed(brew, capsys, None, "--samples", str(samples))
    samples.write_text(f"{right}2026-03-03T18:35:00Z,hydrometer,1.075,SG,20.0\n", encoding="utf-8")

    result = replayed(brew, capsys, None, "--samples", str(samples))

    assert (result.code, without.code) == (0, 0)
    assert (result.estimates, result.alerts) == (without.estimates, without.alerts)
    assert "1 sample left out: hydrometer sample of 2026-03-03T18:35:00Z: gravity 1.0750 lies far above" in result.said
    assert "left out" not in without.said


def test_a_mistyped_original_gravity_costs_samples_and_not_the_replay(
    brew: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = brew.batch.read_text(encoding="utf-8")
    brew.batch.write_text(re.sub("original_gravity = .*", "original_gravity = 1.015", plain), encoding="utf-8")
    samples = brew.folder / "samples.csv"
    rows = [f"{iso(PITCHED + timedelta(hours=hours))},hydrometer,1.045,SG,20" for hours in (5, 10)]
    samples.write_text("\n".join((SAMPLES_HEADER, *rows)), encoding="utf-8")

    result = replayed(brew, capsys, None, "--samples", str(samples))
    brew.batch.write_text(plain, encoding="utf-8")

    assert result.code == 0
    assert "2 samples left out, the first: hydrometer sample of 2026-03-02T23:30:00Z: gravity 1.045" in result.said
    assert "check the value, the unit, the batch and its original gravity" in result.said


def test_a_sample_that_stands_twice_in_its_file_is_not_believed_as_two(
    brew: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    samples = brew.folder / "samples.csv"
    row = f"{iso(PITCHED + timedelta(hours=20, minutes=5))},hydrometer,1.02,SG,20.0\n"  # far off the float
    samples.write_text(f"{SAMPLES_HEADER}\n{row}", encoding="utf-8")
    once = replayed(brew, capsys, None, "--samples", str(samples))
    samples.write_text(f"{SAMPLES_HEADER}\n{row}{row}", encoding="utf-8")

    twice = replayed(brew, capsys, None, "--samples", str(samples))

    assert twice.estimates == once.estimates
    assert "1 sample repeated and used once" in twice.said


def test_a_reference_point_that_the_others_contradict_is_named(
    brew: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    head, first, second, *rest = brew.references.read_text(encoding="utf-8").splitlines()
    name, angle, *others = second.split(",")
    moved = ",".join((name, str(float(angle) + 12.0), *others))
    brew.references.write_text("\n".join((head, first, moved, *rest)) + "\n", encoding="utf-8")

    result = replayed(brew, capsys)

    assert result.code == 0
    assert "references: point 2 (" in result.said


def test_readings_that_give_no_estimate_are_counted(brew: Recording, capsys: pytest.CaptureFixture[str]) -> None:
    early = f"{iso(PITCHED - timedelta(hours=1))},{brew.rows[0].split(',', 1)[1]}"
    rows = (early, brew.rows[0], brew.rows[2], brew.rows[1], *brew.rows[3:])

    result = replayed(brew, capsys, rows)

    assert "1 reading from before pitching gave no estimate" in result.said
    assert "1 reading that came after later ones gave no estimate" in result.said
    assert "sort the file" not in result.said


def with_fahrenheit(rows: tuple[str, ...]) -> tuple[str, ...]:
    cells = [row.split(",") for row in rows]
    return tuple(",".join((*row[:3], f"{float(row[3]) * 1.8 + 32.0:.1f}", *row[4:])) for row in cells)


def test_a_recording_in_fahrenheit_is_asked_about(brew: Recording, capsys: pytest.CaptureFixture[str]) -> None:
    rows = with_fahrenheit(brew.rows[:40])

    mostly, as_written, hardly = (
        replayed(brew, capsys, each).said
        for each in ((*rows[:25], *brew.rows[25:40]), brew.rows[:40], (*rows[:15], *brew.rows[15:40]))
    )

    assert "25 of 40 rows have a temperature of 6" in mostly
    assert "if that is °F, write it in °C (1" in mostly
    assert "replay it again" in mostly
    assert "°F" not in as_written
    assert "°F" not in hardly  # a float that is washed


def test_the_closing_line_counts_in_words(brew: Recording, capsys: pytest.CaptureFixture[str]) -> None:
    assert replayed(brew, capsys, brew.rows[:1]).said.startswith("1 reading; 1 estimate; 0 alerts")


def test_a_file_in_reverse_order_says_so(brew: Recording, capsys: pytest.CaptureFixture[str]) -> None:
    result = replayed(brew, capsys, tuple(reversed(brew.rows)))

    assert f"{len(brew.rows) - 2} readings that came after later ones gave no estimate; sort the file" in result.said


def test_rows_of_another_year_name_what_to_check(brew: Recording, capsys: pytest.CaptureFixture[str]) -> None:
    result = replayed(brew, capsys, tuple(row.replace("2026-", "2025-", 1) for row in brew.rows))

    assert f"not used: {len(brew.rows)} too-old; no row fits the batch's time: check batch.pitched" in result.said


def test_silence_is_found_while_it_lasts_and_ends_with_the_next_reading(
    brew: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    last, gap = parse_time(brew.rows[80].split(",")[0]), timedelta(hours=20)
    shifted = [row.split(",", 1) for row in brew.rows[81:]]
    after = tuple(f"{iso(parse_time(time) + gap)},{rest}" for time, rest in shifted)

    result = replayed(brew, capsys, (*brew.rows[:81], *after))

    silent = parse_time(result.alert("float-silent")["time"])
    # The alert's default patience is four hours; the clock of the replay moves in steps of ten minutes.
    assert last + timedelta(hours=4) <= silent <= last + timedelta(hours=5)
    ends = [json.loads(line) for line in result.alerts if '"resolves": "float-silent"' in line]
    assert [parse_time(end["time"]) for end in ends] == [parse_time(after[0].split(",")[0])]


def test_alert_settings_are_obeyed(brew: Recording, capsys: pytest.CaptureFixture[str]) -> None:
    settings = brew.folder / "alerts.toml"
    settings.write_text("[alerts.fermentation-started]\nenabled = false\n", encoding="utf-8")

    result = replayed(brew, capsys, None, "--alert-settings", str(settings))

    assert not [line for line in result.alerts if "fermentation-started" in line]


@pytest.mark.parametrize(
    ("fault", "message"),
    [
        (("readings.csv", 3, "2026-03-02T19:00:00Z,heron,nan,19.0,,"), "readings.csv row 3: angle_deg 'nan'"),
        (("readings.csv", 3, "2026-03-02T19:00:00,heron,45,19.0,,"), "readings.csv row 3: time"),
        (("references.csv", 2, "heron,24;0,,1.000,,20"), "references.csv row 2: angle_deg '24;0' is not a number"),
        (("batch.toml", 2, "nam = 'x'"), "batch.toml: batch.name: is missing"),
        (("batch.toml", 9, 'float = "magpie"'), "no row is of the batch's float 'magpie'"),
    ],
)
def test_bad_input_is_one_line_with_exit_code_2_and_nothing_written(
    brew: Recording, capsys: pytest.CaptureFixture[str], fault: tuple[str, int, str], message: str
) -> None:
    file, line, bad = fault
    given = arguments(brew)
    path = brew.folder / file
    content = path.read_text(encoding="utf-8").splitlines()
    content[line - 1] = bad
    path.write_text("\n".join(content) + "\n", encoding="utf-8")
    before = sorted(brew.folder.iterdir())

    code = cli.run(given)

    said = capsys.readouterr().err
    assert code == 2
    assert said.count("\n") == 1
    assert message in said
    assert sorted(brew.folder.iterdir()) == before


def test_an_impossible_sample_is_refused_with_its_row(brew: Recording, capsys: pytest.CaptureFixture[str]) -> None:
    samples = brew.folder / "samples.csv"
    samples.write_text(
        f"{SAMPLES_HEADER}\n2026-03-03T08:00:00Z,hydrometer,1.040,SG,20.0\n2026-03-03T09:00:00Z,hydrometer,1.2,SG,20\n",
        encoding="utf-8",
    )

    result = replayed(brew, capsys, None, "--samples", str(samples))

    assert result.code == 2
    assert "samples.csv row 3" in result.said
    assert result.estimates == ()


def test_too_few_references_are_refused_with_the_file_s_name(
    brew: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    content = brew.references.read_text(encoding="utf-8").splitlines()
    brew.references.write_text("\n".join(content[:3]) + "\n", encoding="utf-8")

    result = replayed(brew, capsys)

    assert result.code == 2
    assert "references.csv: " in result.said


def test_an_output_that_is_an_input_is_refused(brew: Recording, capsys: pytest.CaptureFixture[str]) -> None:
    given = arguments(brew)
    given[given.index("--alerts") + 1] = str(brew.batch)

    code = cli.run(given)

    assert code == 2
    assert "is an input" in capsys.readouterr().err
    assert brew.batch.read_text(encoding="utf-8").startswith("[batch]")


def test_progress_tells_how_far_it_is_and_what_is_believed(brew: Recording, capsys: pytest.CaptureFixture[str]) -> None:
    result = replayed(brew, capsys, None, "--progress")

    assert "100 %" in result.said
    assert "active" in result.said


def test_as_a_process_it_is_quiet_on_standard_output_and_loads_no_server_or_database(brew: Recording) -> None:
    program = (
        "import sys\n"
        "from gylewatch.cli import run\n"
        "code = run(sys.argv[1:])\n"
        "loaded = {name.partition('.')[0] for name in sys.modules}\n"
        "print(sorted(loaded & {'sqlalchemy', 'paho', 'fastapi', 'uvicorn', 'apprise', 'bleak', 'apscheduler'}))\n"
        "sys.exit(code)\n"
    )

    done = subprocess.run(
        [sys.executable, "-c", program, *arguments(brew)], capture_output=True, text=True, check=False
    )

    assert (done.returncode, done.stdout) == (0, "[]\n")


def test_a_sample_is_read_with_the_hydrometer_that_the_batch_describes(
    brew: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    true = with_hydrometer(brew, capsys, "1.047", "")
    own = with_hydrometer(brew, capsys, "1.045", "[batch.instruments]\nhydrometer_offset_points = 2\n")
    unsaid = with_hydrometer(brew, capsys, "1.045", "")

    assert true.code == own.code == unsaid.code == 0
    assert own.estimates == true.estimates
    assert own.estimates != unsaid.estimates


@contextmanager
def stuck(brew: Recording) -> Iterator[subprocess.Popen[str]]:
    """A replay as a process, with something written aside and nothing published."""
    given = arguments(brew)
    waiting = brew.folder / "pipe"
    os.mkfifo(waiting)  # nobody reads it, so it waits with its work done
    given[given.index("--estimates") + 1] = str(waiting)
    # Whoever runs the tests under nohup or in the background of a script has signals ignored, by this child too.
    heard = "import signal as s; s.signal(s.SIGHUP, s.SIG_DFL); s.signal(s.SIGINT, s.default_int_handler)"
    program = f"{heard}; from gylewatch.cli import main; main()"
    with subprocess.Popen([sys.executable, "-c", program, *given], stderr=subprocess.PIPE, text=True) as replay:
        try:
            eventually("a file is written aside", lambda: list(brew.folder.glob(".*.part")))
            yield replay
        finally:
            replay.kill()


def test_ctrl_c_is_one_line_with_its_exit_code_and_leaves_no_half_written_file(brew: Recording) -> None:
    with stuck(brew) as replay:
        replay.send_signal(signal.SIGINT)
        _, said = replay.communicate(timeout=30.0)

    assert replay.returncode == 130
    assert said == "gylewatch: stopped, no output was written\n"
    assert list(brew.folder.glob(".*.part")) == []
    assert not (brew.folder / "alerts.jsonl").exists()


def test_what_a_killed_replay_left_goes_with_the_next_one_and_what_a_living_one_writes_stays(
    brew: Recording, capsys: pytest.CaptureFixture[str]
) -> None:
    with stuck(brew) as replay:
        (written_aside,) = brew.folder.glob(".*.part")
        replayed(brew, capsys)
        while_alive = list(brew.folder.glob(".*.part"))
        replay.kill()
        replay.wait(timeout=30.0)
        after_the_kill = list(brew.folder.glob(".*.part"))

        replayed(brew, capsys)

    assert while_alive == after_the_kill == [written_aside]
    assert list(brew.folder.glob(".*.part")) == []


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_replay_that_is_told_to_end_leaves_no_half_written_file(brew: Recording, number: signal.Signals) -> None:
    with stuck(brew) as replay:
        replay.send_signal(number)
        code = replay.wait(timeout=30.0)

    assert code == -number
    assert list(brew.folder.glob(".*.part")) == []
    assert not (brew.folder / "alerts.jsonl").exists()
