"""The numbers of an open alert are of its own time; beside them stands what they are by now."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from fastapi.testclient import TestClient

from alerts.alert import Alert, Kind
from alerts.probe_rules import DISAGREE
from fermentation.estimate import Estimate
from gylewatch.values import BatchId, ProbeReading, Reading
from storage.store import Store
from tests.web import brewery
from tests.web.test_pages import text
from web.present import as_of

WARM = brewery.too_warm()  # at 121 hours


def told(
    alert: Alert = WARM,
    *,
    at_h: float = 217.0,
    estimate: Estimate | None = None,
    last: Reading | None = None,
    probe: ProbeReading | None = None,
    fahrenheit: bool = False,
) -> str:
    now = brewery.PITCHED + timedelta(hours=at_h)
    return as_of(alert, estimate, last, probe, now=now, fahrenheit=fahrenheit)


def test_an_alert_about_warmth_says_how_old_it_is_and_the_temperature_of_now() -> None:
    believed = brewery.estimate(216.5, temperature_c=15.4)

    assert told(estimate=believed) == "4 days ago; now 15.4 °C"
    assert told(estimate=believed, fahrenheit=True) == "4 days ago; now 59.7 °F"  # 15.4 x 1.8 + 32


def test_within_the_hour_the_alert_speaks_for_itself() -> None:
    assert told(estimate=brewery.estimate(121.5), at_h=121.9) == ""


def test_what_is_old_or_older_than_the_alert_does_not_pass_for_now() -> None:
    assert told(estimate=brewery.estimate(200.0, temperature_c=15.4)) == "4 days ago; last 15.4 °C, 17 h ago"
    assert told(estimate=brewery.estimate(120.0, temperature_c=15.4)) == "4 days ago"
    assert told() == "4 days ago"


@pytest.mark.parametrize("kind", [Kind.FERMENTATION_FINISHED, Kind.FERMENTATION_STALLED, Kind.GRAVITY_IMPLAUSIBLE])
def test_an_alert_about_gravity_has_the_gravity_of_now_beside_it(kind: Kind) -> None:
    assert told(replace(WARM, kind=kind), estimate=brewery.estimate(216.0, gravity_sg=1.0111)) == (
        "4 days ago; now 1.0111"
    )


def test_an_alert_about_the_battery_has_its_voltage_or_charge_of_now() -> None:
    low, reading = replace(WARM, kind=Kind.BATTERY_LOW), brewery.reading(216.0)

    assert told(low, last=reading) == "4 days ago; now 3.84 V"
    assert told(low, last=replace(reading, battery_v=None, battery_percent=11.0)) == "4 days ago; now 11 %"
    assert told(low, last=replace(reading, battery_v=None)) == "4 days ago"


def test_two_thermometers_that_disagree_are_both_told() -> None:
    apart = replace(WARM, kind=Kind.CALIBRATION_SUSPECT, cause=DISAGREE)

    assert (
        told(apart, last=brewery.reading(216.0), probe=brewery.probed(216.5)) == "4 days ago; now 19.2 °C and 18.4 °C"
    )


def test_the_page_says_so_at_its_top_and_among_the_alerts(store: Store, batch_id: BatchId) -> None:
    store.save_outcomes(batch_id, estimates=[brewery.estimate(240.0, temperature_c=15.4)])
    client = TestClient(brewery.application(store, now=brewery.PITCHED + timedelta(hours=241)))

    page = text(client.get(f"/batches/{batch_id}").text)

    said = "The beer is at 22.7 °C, above the wanted 20.0 to 22.5 °C. (5 days ago; now 15.4 °C)"
    assert page.count(said) == 2
