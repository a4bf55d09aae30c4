"""What a person does about alerts, at the terminal."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from alerts.alert import Alert, Kind, Severity
from tests.gylewatch.workbench import BATCH, Terminal


@pytest.fixture
def warned(workbench: Terminal) -> Terminal:
    """A brewery in which one alert is open and another is over."""
    with workbench.store() as store:
        store.save_outcomes(BATCH, alerts=[an_alert(Kind.FLOAT_SILENT), an_alert(Kind.TEMPERATURE_DRIFT)])
        store.save_outcomes(BATCH, alerts=[an_alert(Kind.FLOAT_SILENT, resolves=Kind.FLOAT_SILENT)])
    return workbench


def an_alert(kind: Kind, resolves: Kind | None = None) -> Alert:
    return Alert(
        time=datetime.now(UTC),
        kind=kind,
        severity=Severity.WARNING,
        summary=f"Something about {kind}.",
        evidence={},
        resolves=resolves,
    )


def test_open_alerts_are_listed_with_the_number_to_name_them_by(warned: Terminal) -> None:
    listed = warned.type("alert list --json").json

    assert [(each["id"], each["kind"], each["acknowledged_at"]) for each in listed] == [(2, "temperature-drift", None)]
    assert "Something about temperature-drift." in warned.type("alert list").out


def test_all_alerts_of_a_batch_are_listed_with_their_ends(warned: Terminal) -> None:
    listed = warned.type(["alert", "list", BATCH, "--all"]).out

    assert "over: float-silent" in listed


def test_an_alert_is_acknowledged_by_name(warned: Terminal) -> None:
    answer = warned.type("alert acknowledge 2 --who Ada")

    assert "alert 2 is acknowledged by Ada" in answer.out
    assert "seen by Ada" in warned.type("alert list").out


@pytest.mark.parametrize("action", ["acknowledge", "snooze"])
def test_nothing_can_be_done_about_an_alert_that_is_over(warned: Terminal, action: str) -> None:
    everything = warned.type("alert list --all --json").json
    still_open = {one["id"] for one in warned.type("alert list --json").json}
    over = next(one["id"] for one in everything if one["id"] not in still_open)

    answer = warned.type(f"alert {action} {over}")

    assert answer.code == 2
    assert "is over already" in answer.err


def test_an_alert_is_snoozed_and_woken(warned: Terminal) -> None:
    until = datetime.fromisoformat(warned.type("alert snooze 2 --hours 6 --json").json["snoozed_until"])

    assert abs(until - datetime.now(UTC) - timedelta(hours=6)) < timedelta(minutes=1)
    assert "snoozed until" in warned.type("alert list").out
    warned.type("alert snooze 2 --end")
    assert "snoozed until" not in warned.type("alert list").out


def test_an_alert_that_is_not_there_is_one_line(warned: Terminal) -> None:
    answer = warned.type("alert acknowledge 99")

    assert (answer.code, answer.err) == (2, "no alert is called '99'; list them with: gylewatch alert list")


def test_status_names_a_start_for_a_day_and_a_warning_for_as_long_as_it_is_open(workbench: Terminal) -> None:
    time = datetime.now(UTC) - timedelta(hours=25)
    begun = replace(an_alert(Kind.FERMENTATION_STARTED), severity=Severity.INFO, time=time)
    with workbench.store() as store:
        store.save_outcomes(BATCH, alerts=[begun, replace(an_alert(Kind.FLOAT_SILENT), time=time)])

    said = workbench.type("status").out

    # Its numbers are of then.
    assert f"warning since {time:%Y-%m-%d %H:%MZ}: Something about float-silent." in said
    assert "Something about fermentation-started." not in said
    assert "Something about fermentation-started." in workbench.type("alert list").out


def test_without_alerts_it_says_so(workbench: Terminal) -> None:
    assert workbench.type("alert list").out == "no alert is open\n"
