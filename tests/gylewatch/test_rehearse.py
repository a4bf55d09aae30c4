"""Other alert settings over a batch that the real service recorded."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from alerts.alert import Alert, Kind, Severity
from alerts.engine import REPLACED
from alerts.probe_rules import DISAGREE
from gylewatch.rehearsing import Episode, episodes, pair
from gylewatch.values import FloatId
from storage.store import Store
from tests.eventually import eventually
from tests.gylewatch.brew import PITCHED, pale_readings
from tests.gylewatch.live import BATCH, furnish, running, settings
from tests.gylewatch.workbench import BATCH as WORKBENCH_BATCH
from tests.gylewatch.workbench import Terminal

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a database in which the service has followed a whole batch."""
    folder = tmp_path_factory.mktemp("recorded")
    readings = pale_readings(560)
    url = furnish(folder, PITCHED)
    with Store.open(url) as store:
        store.append_readings(readings)
        with running(settings(url, None), readings[-1].time) as service:
            eventually("it is followed", lambda: service.concluded_until(FloatId("heron")) == readings[-1].time, 60)
        store.end_batch(BATCH, readings[-1].time)
    (folder / "gylewatch.toml").write_text('[database]\nurl = "sqlite:///gylewatch.sqlite"\n')
    (folder / "same.toml").write_text("[alerts]\n")
    (folder / "other.toml").write_text(
        "[alerts.fermentation-started]\nenabled = false\n[alerts.fermentation-finished]\nsustained_h = 18\n"
    )
    return folder


@pytest.fixture
def terminal(recorded: Path, monkeypatch: pytest.MonkeyPatch) -> Terminal:
    monkeypatch.chdir(recorded)
    monkeypatch.delenv("GYLEWATCH_CONFIG", raising=False)
    return Terminal(recorded)


def test_the_settings_of_the_recording_tell_what_was_told(terminal: Terminal) -> None:
    (batch,) = terminal.type("rehearse --settings same.toml --json").json["batches"]

    assert batch["readings"] == 560
    assert {each["kind"] for each in batch["alerts"]} >= {"fermentation-started", "fermentation-finished"}
    assert [each["told"] for each in batch["alerts"]] == [each["would_be_told"] for each in batch["alerts"]]


def test_other_settings_show_what_is_no_longer_told_and_what_is_told_later(terminal: Terminal) -> None:
    (batch,) = terminal.type(["rehearse", "--settings", "other.toml", "--batch", BATCH, "--json"]).json["batches"]

    by_kind = {each["kind"]: each for each in batch["alerts"]}
    assert by_kind["fermentation-started"]["would_be_told"] is None
    assert 2 < by_kind["fermentation-finished"]["later_h"] < 36


def test_the_table_says_it_in_words(terminal: Terminal) -> None:
    shown = terminal.type("rehearse --settings other.toml").out

    assert "not told" in shown
    assert "h later" in shown
    assert f"{BATCH}: 560 readings;" in shown
    assert "1 no longer told" in shown


def test_a_rehearsal_changes_nothing(terminal: Terminal) -> None:
    with terminal.store() as store:
        before = store.alerts(BATCH), store.latest_estimate(BATCH), store.outbox_counts(), store.state(BATCH)

        terminal.type("rehearse --settings other.toml")

        assert (store.alerts(BATCH), store.latest_estimate(BATCH), store.outbox_counts(), store.state(BATCH)) == before


def test_a_wrong_setting_is_one_line(terminal: Terminal, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("[alerts.float-silence]\n")

    answer = terminal.type(["rehearse", "--settings", str(wrong)])

    assert answer.code == 2
    assert "did you mean 'float-silent'?" in answer.err


def told(hours: float, *, ends: bool = False, **evidence: bool) -> Alert:
    kind = Kind.TEMPERATURE_OUT_OF_RANGE
    return Alert(
        time=NOON + timedelta(hours=hours),
        kind=kind,
        severity=Severity.WARNING,
        summary="",
        evidence=evidence,
        resolves=kind if ends else None,
    )


def episode(begin_h: float, end_h: float | None = None) -> Episode:
    end = None if end_h is None else NOON + timedelta(hours=end_h)
    return Episode(kind=Kind.TEMPERATURE_OUT_OF_RANGE, begin=NOON + timedelta(hours=begin_h), end=end)


def test_an_alert_that_became_graver_is_one_episode() -> None:
    story = [told(0), told(2, ends=True, **{REPLACED: True}), told(2), told(5, ends=True), told(9)]

    assert episodes(story) == (episode(0, 5), episode(9))


def test_the_nearest_of_a_kind_is_the_same_event_and_what_is_days_away_is_not() -> None:
    pairs = pair([episode(0), episode(100)], [episode(30), episode(2), episode(200)])

    assert [(each.recorded, each.rehearsed) for each in pairs] == [
        (episode(0), episode(2)),
        (None, episode(30)),
        (episode(100), None),
        (None, episode(200)),
    ]


def test_two_things_that_one_kind_tells_are_told_apart(workbench: Terminal) -> None:
    (workbench.folder / "same.toml").write_text("[alerts]\n")
    curve = Alert(time=NOON, kind=Kind.CALIBRATION_SUSPECT, severity=Severity.WARNING, summary="", evidence={})
    probe = replace(curve, cause=DISAGREE, evidence={"cause": DISAGREE})
    with workbench.store() as store:
        store.save_outcomes(WORKBENCH_BATCH, alerts=[curve, probe])

    answer = workbench.type("rehearse --settings same.toml")
    (batch,) = workbench.type("rehearse --settings same.toml --json").json["batches"]

    assert f"calibration-suspect ({DISAGREE})" in answer.out
    assert {each["cause"] for each in batch["alerts"]} == {None, DISAGREE}
    assert "none of its readings is stored" in answer.out
