"""The machine's clock is set while the service runs."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest

from alerts.alert import Kind
from collector.clock import ClockRule
from collector.senml import encode_senml_json
from collector.steady import steady_s
from collector.timekeeper import Timekeeper
from gylewatch.config import FloatSettings
from gylewatch.service import Service
from gylewatch.values import FloatId
from storage.store import Store
from tests.broker import Broker, free_port
from tests.collector.sender import connected_sender
from tests.eventually import eventually
from tests.gylewatch.brew import pale_readings
from tests.gylewatch.live import BATCH, TOKEN, furnish, request, settings

HERON = FloatId("heron")


class SetClock:
    """The machine's clock, as wrong as the test wants it."""

    steady = staticmethod(steady_s)

    def __init__(self) -> None:
        self.wrong_by = timedelta(0)
        self.asked = 0

    def now(self) -> datetime:
        self.asked += 1
        return datetime.now(UTC) + self.wrong_by


def test_while_the_clock_has_leapt_no_reading_is_stamped_and_no_float_called_silent(
    tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The machine that runs this test may well have network time, which vouches for its true clock only.
    monkeypatch.setattr("gylewatch.service.Timekeeper", partial(Timekeeper, vouched=lambda: False))
    begun = datetime.now(UTC)
    pitched = begun.replace(microsecond=0) - timedelta(days=2)
    readings = [each for each in pale_readings(200, pitched) if each.time < begun]
    url = furnish(tmp_path, pitched)
    payload = encode_senml_json(readings[-1:], timeless=True)
    clock = SetClock()
    service = Service(settings(url, broker.port), clock=clock, tick_s=0.05)
    with Store.open(url) as store, connected_sender(broker.port) as sender:
        store.append_readings(readings)
        service.start()
        try:
            eventually("it is connected", lambda: service.health().problems == ())
            eventually("all is concluded", lambda: service.concluded_until(HERON) == readings[-1].time)
            clock.wrong_by = timedelta(days=30)
            eventually("the leap is told", lambda: any("clock leapt" in each for each in service.health().problems))
            asked = clock.asked
            eventually("some ticks have passed", lambda: clock.asked > asked + 40)

            sender.send("gylewatch/v1/readings/heron", payload)
            headers = {"Content-Type": "application/senml+json", "Authorization": f"Bearer {TOKEN}"}
            status, answer = request(service, "POST", "/api/v1/readings?float=heron", payload, headers)
            eventually("the reading waits", lambda: service.health().queue_depth == 1)
            alerts = [record.alert.kind for record in store.alerts(BATCH)]
            stored_meanwhile = len(store.readings(HERON))
            clock.wrong_by = timedelta(0)
            eventually("the reading is stored", lambda: len(store.readings(HERON)) == len(readings) + 1)
            newest = store.readings(HERON)[-1].time
        finally:
            service.stop()

    assert (status, b"clock leapt" in answer) == (503, True)
    assert stored_meanwhile == len(readings)
    assert Kind.FLOAT_SILENT not in alerts
    assert begun <= newest <= datetime.now(UTC)


def test_a_broker_that_is_away_when_the_clock_is_set_has_not_been_away_for_days(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = datetime.now(UTC)
    clock = SetClock()
    clock.wrong_by = timedelta(days=-3)
    known = partial(Timekeeper, synchronised=lambda: not clock.wrong_by, vouched=lambda: not clock.wrong_by)
    monkeypatch.setattr("gylewatch.service.Timekeeper", known)
    url = furnish(tmp_path, begun - timedelta(days=2))
    waiting = FloatSettings(clock=ClockRule(network_time=True))
    service = Service(replace(settings(url, free_port()), floats=waiting), clock=clock, tick_s=0.05)
    with Store.open(url) as store:
        service.start()
        try:
            eventually(
                "the clock is doubted", lambda: any("network time" in each for each in service.health().problems)
            )
            clock.wrong_by = timedelta(0)
            eventually("it is believed", lambda: not any("network time" in each for each in service.health().problems))
            asked = clock.asked
            eventually("some ticks have passed", lambda: clock.asked > asked + 40)
            told = store.open_notices()
        finally:
            service.stop()

    assert told == ()


@pytest.mark.parametrize("wrong_by", [timedelta(days=30), timedelta(days=-3)], ids=["ahead", "behind"])
def test_a_clock_that_leaps_while_the_broker_is_away_stamps_nothing_and_blames_nobody(
    tmp_path: Path, broker: Broker, monkeypatch: pytest.MonkeyPatch, wrong_by: timedelta
) -> None:
    monkeypatch.setattr("gylewatch.service.Timekeeper", partial(Timekeeper, vouched=lambda: False))
    begun = datetime.now(UTC)
    pitched = begun.replace(microsecond=0) - timedelta(days=2)
    readings = [each for each in pale_readings(200, pitched) if each.time < begun]
    url = furnish(tmp_path, pitched)
    clock = SetClock()
    service = Service(settings(url, broker.port), clock=clock, tick_s=0.05)
    with Store.open(url) as store:
        store.append_readings(readings[:-20])
        service.start()
        try:
            eventually("it is connected", lambda: service.health().problems == ())
            eventually("all is concluded", lambda: service.concluded_until(HERON) == readings[-21].time)
            eventually("all is told", lambda: store.outbox_counts()["waiting"] == 0)
            broker.stop()
            eventually("the loss is told", lambda: "127.0.0.1" in str(service.health().problems))
            clock.wrong_by = wrong_by
            eventually("the leap is told", lambda: "clock leapt" in str(service.health().problems))
            asked = clock.asked
            eventually("some ticks have passed", lambda: clock.asked > asked + 40)
            broker.start()
            with connected_sender(broker.port) as sender:
                eventually("it is connected again", lambda: "connected since" in service.health().brokers[0], 30)
                sender.send("gylewatch/v1/readings/heron", encode_senml_json(readings[-20:-1]))
                sender.send("gylewatch/v1/readings/heron", encode_senml_json(readings[-1:], timeless=True))
            eventually("they wait", lambda: service.health().queue_depth == 2)
            clock.wrong_by = timedelta(0)
            eventually("all are concluded", lambda: len(store.estimates(BATCH)) == len(readings), 30)
            eventually("all is well again", lambda: service.health().problems == ())
            alerts, notices = [record.alert.kind for record in store.alerts(BATCH)], store.open_notices()
        finally:
            service.stop()
        stored = [each.time for each in store.readings(HERON)]

    assert stored[:-1] == [each.time for each in readings[:-1]]
    assert begun <= stored[-1] <= datetime.now(UTC)
    assert Kind.FLOAT_SILENT not in alerts
    assert notices == ()
