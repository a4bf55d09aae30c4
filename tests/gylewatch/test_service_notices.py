"""What the running service tells about itself: outages once, a summary each day, alerts by each channel's wishes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from functools import partial
from pathlib import Path

import pytest

from alerts.alert import Kind
from alerts.delivery.policy import ChannelPolicy
from collector.clock import ClockRule
from collector.mapping import JsonMapping, Place
from collector.mqtt_settings import MqttSettings
from collector.senml import encode_senml_json
from collector.timekeeper import Timekeeper
from gylewatch.clock import SteppedClock
from gylewatch.config import ChannelSettings, FloatSettings, Settings
from gylewatch.demo_sink import Sink
from gylewatch.service import Service
from gylewatch.values import FloatId
from storage.records import FloatRecord
from storage.store import Store
from tests.broker import Broker
from tests.collector.sender import connected_sender
from tests.eventually import eventually
from tests.gylewatch.brew import PITCHED, pale_readings
from tests.gylewatch.live import BATCH, Inbox, ask, furnish, publish, request, running, settings
from tests.storage.examples import alert, at
from web.settings import HttpSettings


def test_a_broker_that_dies_is_one_message_and_no_float_is_blamed(
    tmp_path: Path, broker: Broker, sink: Sink, inbox: Inbox
) -> None:
    readings = pale_readings(100)
    url = furnish(tmp_path, PITCHED)
    clock = SteppedClock(readings[-1].time)
    service = Service(settings(url, broker.port, sink), clock=clock, tick_s=0.05)
    service.start()
    try:
        eventually("it is connected", lambda: service.health().problems == ())
        publish(broker.port, readings)
        eventually("all is concluded", lambda: service.concluded_until(FloatId("heron")) == readings[-1].time, 60)
        broker.kill()
        eventually("the loss is noticed", lambda: service.health().problems != (), 60)

        clock.move_to(readings[-1].time + timedelta(hours=30))
        eventually("the outage is told", lambda: inbox.has("No readings over the broker"))
        broker.start()
        eventually("it is connected again", lambda: "connected since" in service.health().brokers[0], 60)
        clock.move_to(clock.now() + timedelta(minutes=3))
        eventually("the end is told", lambda: inbox.has("ended: No readings over the broker"))
        with Store.open(url) as store:
            told = [record.alert.kind for record in store.alerts(BATCH)]
            outbox = store.outbox_counts()
    finally:
        service.stop()

    assert sum("No readings" in title for title, _ in inbox.notices) == 2
    assert Kind.FLOAT_SILENT not in told
    assert outbox["failing"] == 0


def test_a_clock_that_network_time_never_sets_is_told_and_shown(
    tmp_path: Path, sink: Sink, inbox: Inbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    def a_minute_later() -> bool:
        # Moved bit by bit: the outage counts from the first tick that sees it, and that may come late.
        clock.move_to(clock.now() + timedelta(minutes=1))
        return inbox.has("clock cannot be believed")

    monkeypatch.setattr("gylewatch.service.Timekeeper", partial(Timekeeper, synchronised=lambda: False))
    clock = SteppedClock(PITCHED)
    wanted = replace(
        settings(furnish(tmp_path, PITCHED), None, sink), floats=FloatSettings(clock=ClockRule(network_time=True))
    )
    service = Service(wanted, clock=clock, tick_s=0.05)
    service.start()
    try:
        eventually(
            "it is shown", lambda: any("network time" in each for each in ask(service, "/api/v1/health")["problems"])
        )
        eventually("it is told", a_minute_later)
        page = request(service, "GET", "/service")[1].decode()
    finally:
        service.stop()

    assert "Told, and still so" in page
    assert "This machine&#39;s clock cannot be believed" in page


def test_an_ingest_that_died_is_told_while_the_database_can_be_written(
    tmp_path: Path, broker: Broker, sink: Sink, inbox: Inbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> int:
        raise ZeroDivisionError

    def a_minute_later() -> bool:
        clock.move_to(clock.now() + timedelta(minutes=1))
        return inbox.has("not stored")

    monkeypatch.setattr("threading.excepthook", lambda _: None)
    monkeypatch.setattr("gylewatch.reading_sink.ReadingSink.append_readings", fail)
    clock = SteppedClock(PITCHED + timedelta(days=1))
    service = Service(settings(furnish(tmp_path, PITCHED), broker.port, sink), clock=clock, tick_s=0.05)
    service.start()
    try:
        eventually("it is connected", lambda: service.health().problems == ())
        publish(broker.port, pale_readings(2))
        eventually("it is shown", lambda: any("fault in the program" in each for each in service.health().problems))
        asked = clock.now()
        eventually("it is told", a_minute_later)
        with Store.open(f"sqlite:///{tmp_path / 'gylewatch.sqlite'}") as store:
            (notice,) = store.open_notices()
    finally:
        service.stop()

    assert (notice.cause, notice.title) == ("storing", "Readings are not stored")
    assert notice.time >= asked


def test_the_summary_of_the_day_is_sent_once_however_often_the_service_starts(
    tmp_path: Path, sink: Sink, inbox: Inbox
) -> None:
    readings = pale_readings(60)
    url = furnish(tmp_path, PITCHED)
    with Store.open(url) as store:
        store.append_readings(readings)
    at_eight = datetime.combine(readings[-1].time.date() + timedelta(days=1), time(8), UTC)
    phone = ChannelSettings(name="phone", url=sink.url, policy=ChannelPolicy(digest=time(8)))
    wanted = Settings(database_url=url, http=HttpSettings(port=0), channels=(phone,))

    with running(settings(url, None), readings[-1].time) as service:
        eventually("all is concluded", lambda: service.concluded_until(FloatId("heron")) == readings[-1].time)
    for minutes in (0, 30):
        with running(wanted, at_eight + timedelta(minutes=minutes)) as service, Store.open(url) as store:
            eventually("the summary is told", lambda: inbox.has("Today: 1 batch"))
            eventually("nothing waits", lambda: store.outbox_counts()["waiting"] == 0)

    summaries = [text for title, text in inbox.notices if title.startswith("Today")]
    assert len(summaries) == 1
    assert "gravity 1.0" in summaries[0]


def test_at_night_the_phone_is_quiet_until_the_morning(tmp_path: Path, sink: Sink, inbox: Inbox) -> None:
    readings = pale_readings(100)
    url = furnish(tmp_path, PITCHED)
    phone = ChannelSettings(name="phone", url=sink.url, policy=ChannelPolicy(quiet=(time(0), time(23, 59))))
    wanted = Settings(database_url=url, http=HttpSettings(port=0), channels=(phone,))
    midday = readings[-1].time.replace(hour=12)
    with Store.open(url) as store:
        store.append_readings(readings)

        with running(wanted, midday):
            eventually("the start is noted", lambda: store.alerts(BATCH))
            eventually("it is held", lambda: store.outbox_due(midday, 10) == ())
            assert store.outbox_counts()["waiting"] >= 1
            assert inbox.notices == []
        with running(wanted, midday.replace(hour=23, minute=59)):
            eventually("it is told", lambda: inbox.has("Fermentation has started"))


def test_what_could_not_be_delivered_is_shown_with_the_reason(tmp_path: Path) -> None:
    url = furnish(tmp_path, PITCHED)
    with Store.open(url) as store:
        store.save_outcomes(BATCH, alerts=[alert(1)], channels=["pager"])

    with running(Settings(database_url=url, http=HttpSettings(port=0)), at(60)) as service:
        eventually("it is shown", lambda: service.health().problems)
        (problem,) = service.health().problems

    assert problem == (
        "over pager notifications fail and are tried again: no such channel in the configuration; add it again"
    )


@pytest.fixture
def second_broker(tmp_path: Path) -> Broker:
    return Broker(tmp_path / "second")


def test_each_broker_has_its_own_prefix_and_meaning_of_a_topic(
    tmp_path: Path, broker: Broker, second_broker: Broker
) -> None:
    readings = pale_readings(3)
    url = furnish(tmp_path, PITCHED)
    in_celsius = JsonMapping(
        topic="cellar/tilt",
        float_name="heron",
        angle=Place(pointer="/a", unit="deg"),
        temperature=Place(pointer="/t", unit="Cel"),
    )
    in_fahrenheit = replace(in_celsius, float_name="wren", temperature=Place(pointer="/t", unit="F"))
    payload = b'{"a": 40, "t": 68}'
    with second_broker, Store.open(url) as store:
        store.add_float(FloatRecord(float_id=FloatId("wren"), created=PITCHED))
        wanted = Settings(
            database_url=url,
            brokers=(
                MqttSettings(name="one", port=broker.port, mappings=(in_celsius,), prefix="one/beer"),
                MqttSettings(name="two", port=second_broker.port, mappings=(in_fahrenheit,)),
            ),
            http=HttpSettings(port=0),
        )
        with (
            running(wanted, readings[-1].time + timedelta(minutes=1)),
            connected_sender(broker.port) as to_one,
            connected_sender(second_broker.port) as to_two,
        ):
            to_one.send("one/beer/readings/heron", encode_senml_json(readings))
            to_two.send("cellar/tilt", payload)
            eventually("the prefix is heard", lambda: len(store.readings(FloatId("heron"))) == 3)
            eventually("the mapping is used", lambda: store.readings(FloatId("wren")))
            to_one.send("cellar/tilt", payload)
            eventually("the other mapping is used", lambda: len(store.readings(FloatId("heron"))) == 4)

        (fahrenheit,) = store.readings(FloatId("wren"))
        celsius = store.readings(FloatId("heron"))[-1]

    assert fahrenheit.temperature_c == pytest.approx(20.0)
    assert celsius.temperature_c == 68.0
