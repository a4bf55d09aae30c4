"""The whole service on a real broker, a real database and a real HTTP sink."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from alerts.settings import AlertSettings
from calibration.fit import fit_curve
from collector.senml import encode_senml_json
from collector.topics import readings_topic
from gylewatch import cli, schedule
from gylewatch.config import BackupSettings, RetentionSettings, Settings
from gylewatch.demo_sink import Sink
from gylewatch.errors import StorageError, TransportError
from gylewatch.service import Service
from gylewatch.tables import read_references
from gylewatch.values import FloatId, utc_text
from storage.records import FloatRecord
from storage.store import Store
from tests.broker import Broker, free_port
from tests.collector.sender import connected_sender
from tests.eventually import eventually
from tests.gylewatch.brew import PITCHED, pale_readings, recording, write_references
from tests.gylewatch.live import (
    BATCH,
    FINISHED,
    TOKEN,
    Inbox,
    Process,
    ask,
    configure,
    furnish,
    log,
    publish,
    request,
    retained_state,
    running,
    settings,
)
from web.settings import HttpSettings


def test_packets_of_a_real_client_end_in_a_delivered_verdict_and_agree_with_the_replay(
    tmp_path: Path, broker: Broker, sink: Sink, inbox: Inbox
) -> None:
    readings = pale_readings(560)
    url = furnish(tmp_path, PITCHED)

    with running(settings(url, broker.port, sink), readings[-1].time) as service:
        publish(broker.port, readings)
        eventually("the finish is notified", lambda: inbox.has(FINISHED), 60)
        eventually("all is concluded", lambda: service.concluded_until(FloatId("heron")) == readings[-1].time, 60)
        live = ask(service, f"/api/v1/batches/{BATCH}/estimates")

    replayed = replay_estimates(tmp_path / "replay", len(readings))
    assert [(row["time"], f"{row['gravity_sg']:.5f}", row["phase"]) for row in live] == replayed
    assert len(inbox.notices) == len(set(inbox.notices))


def replay_estimates(folder: Path, count: int) -> list[tuple[str, str, str]]:
    folder.mkdir()
    brew = recording(folder, count)
    words = ["replay", "--readings", str(brew.readings()), "--references", str(brew.references)]
    words += ["--batch", str(brew.batch), "--estimates", str(folder / "e.csv"), "--alerts", str(folder / "a.jsonl")]
    assert cli.run(words) == 0
    rows = [line.split(",") for line in (folder / "e.csv").read_text(encoding="utf-8").splitlines()[1:]]
    return [(row[0], row[1], row[7]) for row in rows]


def test_other_programs_get_states_and_alerts_over_mqtt(tmp_path: Path, broker: Broker) -> None:
    readings = pale_readings(100)
    url = furnish(tmp_path, PITCHED)
    heard: dict[str, list[bytes]] = {}
    subscribed = threading.Event()

    def on_message(_: Client, __: object, message: MQTTMessage) -> None:
        heard.setdefault(message.topic, []).append(bytes(message.payload))

    listener = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    listener.on_message = on_message
    listener.on_subscribe = lambda *_: subscribed.set()
    listener.connect("127.0.0.1", broker.port)
    listener.loop_start()
    listener.subscribe([("gylewatch/v1/state/#", 1), ("gylewatch/v1/alerts/#", 1), ("gylewatch/v1/service/#", 1)])
    assert subscribed.wait(10)

    with running(settings(url, broker.port), readings[-1].time):
        publish(broker.port, readings)
        eventually("an alert is published", lambda: f"gylewatch/v1/alerts/{BATCH}" in heard, 30)
        last = readings[-1].time.isoformat().replace("+00:00", "Z")
        eventually(
            "the newest state is published",
            lambda: last.encode() in (heard.get(f"gylewatch/v1/state/{BATCH}") or [b""])[-1],
            30,
        )
    eventually("the service says goodbye", lambda: heard["gylewatch/v1/service/status"][-1] == b"offline")
    listener.disconnect()
    listener.loop_stop()

    state = json.loads(heard[f"gylewatch/v1/state/{BATCH}"][-1])
    assert state["gravity_low_sg"] <= state["gravity_sg"] <= state["gravity_high_sg"]
    assert json.loads(heard[f"gylewatch/v1/alerts/{BATCH}"][0])["kind"] == "fermentation-started"
    assert heard["gylewatch/v1/service/status"][0] == b"online"


@pytest.mark.parametrize("service_restarts", [False, True])
def test_a_broker_that_lost_the_states_is_told_them_again(
    tmp_path: Path, broker: Broker, service_restarts: bool
) -> None:
    readings = pale_readings(20)
    url = furnish(tmp_path, PITCHED)

    def run(act: Callable[[Service], None]) -> None:
        with running(settings(url, broker.port), readings[-1].time, tick_s=0.05) as service:
            act(service)

    def conclude(service: Service) -> None:
        publish(broker.port, readings)
        eventually("all is concluded", lambda: service.concluded_until(FloatId("heron")) == readings[-1].time, 60)
        if not service_restarts:
            lose()
            eventually("the loss is noticed", lambda: service.health().problems != (), 60)
            broker.start()
            look(service)

    def lose() -> None:
        broker.kill()
        for kept in broker.directory.rglob("*.db"):
            kept.unlink()

    def look(service: Service) -> None:
        eventually("it is connected", lambda: service.health().problems == (), 60)
        eventually("the state is back", lambda: utc_text(readings[-1].time).encode() in retained_state(broker.port), 60)

    run(conclude)
    if service_restarts:
        lose()
        broker.start()
        run(look)


def test_readings_posted_over_http_are_followed_too(tmp_path: Path) -> None:
    readings = pale_readings(10)
    url = furnish(tmp_path, PITCHED)
    headers = {"Authorization": f"Bearer {TOKEN}", "Content-Type": "application/senml+json"}

    with running(settings(url, None), readings[-1].time) as service:
        status, body = request(service, "POST", "/api/v1/readings?float=heron", encode_senml_json(readings), headers)
        eventually("they are followed", lambda: len(ask(service, f"/api/v1/batches/{BATCH}/estimates")) == 10)
        again = json.loads(
            request(service, "POST", "/api/v1/readings?float=heron", encode_senml_json(readings), headers)[1]
        )
        health = ask(service, "/api/v1/health")

    assert status == 200
    assert json.loads(body)["accepted"] == 10
    assert (again["accepted"], again["duplicate"]) == (0, 10)
    assert (health["readings_accepted"], health["readings_duplicate"]) == (10, 10)


def test_head_is_answered_like_get_without_the_body(tmp_path: Path) -> None:
    with running(settings(furnish(tmp_path, PITCHED), None), PITCHED, connect=False) as service:
        for path in ("/", f"/batches/{BATCH}", "/api/v1/health"):
            assert request(service, "HEAD", path) == (200, b"")
        assert request(service, "HEAD", "/nowhere")[0] == 404


def test_an_absent_broker_is_reported_and_taken_up_when_it_comes(tmp_path: Path) -> None:
    late = Broker(tmp_path / "late")
    url = furnish(tmp_path, PITCHED)
    readings = pale_readings(5)

    with running(settings(url, late.port), readings[-1].time, connect=False) as service:
        eventually("the problem is shown", lambda: "cannot be reached" in str(service.health().problems))
        with late:
            eventually("it is connected", lambda: service.health().problems == (), 30)
            publish(late.port, readings)
            eventually("readings are followed", lambda: service.concluded_until(FloatId("heron")) == readings[-1].time)


def test_a_batch_without_a_curve_is_named_and_followed_once_it_has_one(tmp_path: Path, broker: Broker) -> None:
    url = furnish(tmp_path, PITCHED, curve=False)
    readings = pale_readings(5)

    with running(settings(url, broker.port), readings[-1].time) as service:
        publish(broker.port, readings)
        eventually("the problem is shown", lambda: "has no curve" in str(service.health().problems))
        with Store.open(url) as other:
            points = read_references(write_references(tmp_path))
            other.add_curve(fit_curve(points), points, who="Ada", note="", created=PITCHED)
        eventually("it is followed", lambda: service.concluded_until(FloatId("heron")) == readings[-1].time)
        eventually("the problem is gone", lambda: service.health().problems == ())


def test_an_unknown_float_is_offered_and_followed_once_it_is_added(tmp_path: Path, broker: Broker) -> None:
    readings = pale_readings(3)
    url = furnish(tmp_path, PITCHED)

    with (
        running(settings(url, broker.port), readings[-1].time, tick_s=0.1),
        connected_sender(broker.port) as sender,
        Store.open(url) as store,
    ):
        sender.send(readings_topic("magpie"), encode_senml_json(readings))
        eventually(
            "it is offered", lambda: [(one.name, one.packets) for one in store.heard_floats()] == [("magpie", 3)]
        )
        store.add_float(FloatRecord(float_id=FloatId("magpie"), created=PITCHED))
        sender.send(readings_topic("magpie"), encode_senml_json(readings))
        eventually("its readings are stored", lambda: len(store.readings(FloatId("magpie"))) == 3)
        eventually("it is no longer offered", lambda: store.heard_floats() == ())


def test_a_port_in_use_is_refused_before_anything_is_started(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        wanted = Settings(database_url=f"sqlite:///{tmp_path / 'x.sqlite'}", http=HttpSettings(port=port))

        with pytest.raises(TransportError, match=rf"http\.port = {port}: another program listens"):
            Service(wanted).start()

    assert not (tmp_path / "x.sqlite").exists()


def test_kill_9_loses_nothing_and_tells_nothing_twice(tmp_path: Path, broker: Broker, sink: Sink, inbox: Inbox) -> None:
    pitched = datetime.now(UTC).replace(microsecond=0) - timedelta(days=7)
    readings = pale_readings(560, pitched)
    url = furnish(tmp_path, pitched)
    configure(tmp_path, broker.port, sink)

    with Process(tmp_path) as process, Store.open(url) as store:
        eventually("the service listens", lambda: 'event="connected to the broker"' in log(tmp_path), 60)
        for start in range(0, 420, 140):
            publish(broker.port, readings[start : start + 140])
            eventually("some are followed", partial(is_in_the_middle, store, start + 60), 60)
            process.end(signal.SIGKILL)
            process.start()
        publish(broker.port, readings[420:])
        eventually("the finish is notified", lambda: inbox.has(FINISHED), 90)
        eventually("all is concluded", lambda: len(store.estimates(BATCH)) == len(readings), 60)

        assert [stored.time for stored in store.readings(FloatId("heron"))] == [each.time for each in readings]
        assert process.end(signal.SIGTERM) == 0
        told = [(record.alert.kind, record.alert.time) for record in store.alerts(BATCH)]

    assert len(told) == len(set(told))
    assert len(inbox.notices) == len(set(inbox.notices))
    assert "Traceback" not in log(tmp_path)


def is_in_the_middle(store: Store, followed: int) -> bool:
    """Whether work is under way, but no delivery: an alert that was taken and not noted yet is sent again, as promised
    (at least once)."""
    return len(store.estimates(BATCH)) > followed and store.outbox_counts()["waiting"] == 0


def test_sigterm_ends_it_in_order_within_five_seconds(tmp_path: Path, broker: Broker) -> None:
    furnish(tmp_path, datetime.now(UTC) - timedelta(days=1))
    configure(tmp_path, broker.port)

    with Process(tmp_path) as process:
        eventually("the service listens", lambda: "connected to the broker" in log(tmp_path), 60)
        before = datetime.now(UTC)
        code = process.end(signal.SIGTERM)
        took = datetime.now(UTC) - before

    assert code == 0
    assert took < timedelta(seconds=5)
    assert log(tmp_path).rstrip().endswith("event=stopped logger=gylewatch.service")


@pytest.mark.parametrize(
    ("database", "message", "code"),
    [
        ("sqlite:///missing-folder/x.sqlite", "missing-folder does not exist; create it", 2),
        ("postgresql://app@127.0.0.1:1/none", "the server cannot be reached", 1),
        ("mysql://somewhere", "write sqlite:///FILE or postgresql://USER@HOST/NAME", 2),
    ],
)
def test_a_database_that_cannot_be_opened_is_one_line(tmp_path: Path, database: str, message: str, code: int) -> None:
    (tmp_path / "gylewatch.toml").write_text(f'[database]\nurl = "{database}"\n[http]\nport = {free_port()}\n')

    done = subprocess.run(
        [sys.executable, "-m", "gylewatch.cli", "serve", "--config", str(tmp_path / "gylewatch.toml")],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        env={**os.environ, "PGCONNECT_TIMEOUT": "2"},
    )

    assert done.returncode == code
    assert message in done.stderr
    assert done.stderr.count("\n") == 1


def test_alert_settings_of_the_configuration_reach_the_verdicts(tmp_path: Path) -> None:
    readings = pale_readings(100)
    url = furnish(tmp_path, PITCHED)
    quiet = AlertSettings()
    quiet = type(quiet)(fermentation_started=type(quiet.fermentation_started)(enabled=False))
    wanted = Settings(database_url=url, http=HttpSettings(port=0), alerts=quiet)
    with Store.open(url) as store:
        store.append_readings(readings)

        with running(wanted, readings[-1].time) as service:
            eventually("it is followed", lambda: service.concluded_until(FloatId("heron")) == readings[-1].time, 30)

        assert store.alerts(BATCH) == ()


def test_readings_posted_before_the_clock_is_set_are_asked_for_again(tmp_path: Path) -> None:
    url = furnish(tmp_path, PITCHED)
    headers = {"Authorization": f"Bearer {TOKEN}", "Content-Type": "application/senml+json"}

    with running(settings(url, None), datetime(1970, 1, 1, 0, 5, tzinfo=UTC)) as service:
        body = encode_senml_json(pale_readings(1))
        status, content = request(service, "POST", "/api/v1/readings?float=heron", body, headers)

    assert status == 503
    assert "clock says 1970-01-01" in content.decode()
    with Store.open(url) as store:
        assert store.readings(FloatId("heron")) == ()


def test_a_second_service_on_the_same_database_says_so_and_disturbs_nothing(tmp_path: Path, broker: Broker) -> None:
    url = furnish(tmp_path, PITCHED)
    readings = pale_readings(3)

    with running(settings(url, broker.port), readings[-1].time) as service:
        with pytest.raises(StorageError, match=r"another gylewatch service .* works on it already"):
            Service(settings(url, broker.port)).start()
        publish(broker.port, readings)
        eventually("all are concluded", lambda: service.concluded_until(FloatId("heron")) == readings[-1].time, 30)


def test_a_nightly_copy_that_fails_is_among_the_problems(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    url, blocked = furnish(tmp_path, PITCHED), tmp_path / "copies"
    blocked.touch()
    monkeypatch.setattr(schedule, "AFTER_START", timedelta(0))
    wanted = replace(settings(url, None), backup=BackupSettings(folder=blocked))

    with running(wanted, PITCHED, tick_s=0.05, connect=False) as service:
        eventually(
            "it is told", lambda: any("copy of the database failed" in each for each in service.health().problems)
        )


def test_a_stop_does_not_wait_for_the_upkeep_and_leaves_the_rest_for_another_night(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Years of readings take minutes to delete, and systemd waits for half a one."""
    url, (old,) = furnish(tmp_path, PITCHED, curve=False), pale_readings(1)
    monkeypatch.setattr(schedule, "AFTER_START", timedelta(0))
    monkeypatch.setattr("gylewatch.service.REST_S", 3600.0)
    wanted = replace(settings(url, None), retention=RetentionSettings(readings_days=30))

    with Store.open(url) as store:
        store.remove_batch(BATCH)
        store.add_float(FloatRecord(float_id=FloatId("wren"), created=PITCHED))
        store.append_readings([old, replace(old, float_id=FloatId("wren"))])

        def left() -> int:
            return sum(len(store.readings(FloatId(name))) for name in ("heron", "wren"))

        with running(wanted, PITCHED + timedelta(days=90), tick_s=0.05, connect=False):
            eventually("the first piece is done", lambda: left() == 1)
        said: list[str] = []

        def said_so_far() -> str:
            said.append(capfd.readouterr().out)
            return "".join(said)

        eventually("it ends", lambda: "old readings deleted" in said_so_far())

        assert left() == 1
