"""A vessel's own probe, from a real client over a real broker to the page and the alert."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from alerts.probe_rules import DISAGREE
from collector.mapping import Place
from collector.probe import Probe
from collector.topics import temperatures_topic
from gylewatch.config import Settings
from gylewatch.values import FloatId, Reading, VesselId
from tests.broker import Broker
from tests.collector.sender import connected_sender
from tests.eventually import eventually
from tests.gylewatch.brew import PITCHED, pale_readings
from tests.gylewatch.live import BATCH, ask, furnish, publish, request, running, settings

OURS = Probe(name="well", vessel=VesselId("FV1"))
MAPPED = Probe(name="well", vessel=VesselId("FV1"), topic="cellar/fv1", temperature=Place(pointer="", unit="Cel"))


def with_probe(wanted: Settings, probe: Probe) -> Settings:
    return replace(wanted, brokers=tuple(replace(broker, probes=(probe,)) for broker in wanted.brokers))


def publish_probe(port: int, readings: tuple[Reading, ...], off_c: float) -> None:
    with connected_sender(port) as sender:
        for start in range(0, len(readings), 20):
            pack = [
                {"n": "temperature", "u": "Cel", "v": each.temperature_c + off_c, "bt": each.time.timestamp()}
                for each in readings[start : start + 20]
            ]
            sender.send(temperatures_topic("well"), json.dumps(pack).encode())


def stored(service: object) -> list[dict[str, object]]:
    found: list[dict[str, object]] = ask(service, f"/api/v1/batches/{BATCH}/temperatures")  # type: ignore[arg-type]
    return found


def test_a_probe_that_disagrees_is_stored_shown_and_told(tmp_path: Path, broker: Broker) -> None:
    readings = pale_readings(120)
    url = furnish(tmp_path, PITCHED)

    with running(with_probe(settings(url, broker.port), OURS), readings[-1].time) as service:
        publish_probe(broker.port, readings, -3.0)
        eventually("the probe is heard", lambda: len(stored(service)) == len(readings))
        publish(broker.port, readings)
        eventually("all is concluded", lambda: service.concluded_until(FloatId("heron")) == readings[-1].time, 60)
        alerts = ask(service, f"/api/v1/batches/{BATCH}/alerts")
        page = request(service, "GET", f"/batches/{BATCH}")[1].decode()

    (told,) = [alert for alert in alerts if alert["evidence"].get("cause") == DISAGREE]
    assert told["kind"] == "calibration-suspect"
    assert "Vessel's own probe" in page or "Vessel&#39;s own probe" in page
    assert f"{readings[-1].temperature_c - 3.0:.1f} °C" in page


def test_a_bare_number_on_a_topic_of_its_own_is_stored_with_the_time_of_arrival(tmp_path: Path, broker: Broker) -> None:
    now: datetime = pale_readings(10)[-1].time
    url = furnish(tmp_path, PITCHED)

    with running(with_probe(settings(url, broker.port), MAPPED), now) as service:
        with connected_sender(broker.port) as sender:
            sender.send("cellar/fv1", b"18.75")
        eventually("it is stored", lambda: len(stored(service)) == 1)
        (found,) = stored(service)

    assert (found["probe"], found["vessel"], found["temperature_c"]) == ("well", "FV1", 18.75)


def test_a_probe_added_to_the_configuration_is_heard_though_the_broker_kept_the_session(
    tmp_path: Path, broker: Broker
) -> None:
    now = pale_readings(10)[-1].time
    url = furnish(tmp_path, PITCHED)
    with running(settings(url, broker.port), now):
        pass

    with running(with_probe(settings(url, broker.port), MAPPED), now) as service:
        with connected_sender(broker.port) as sender:
            sender.send("cellar/fv1", b"18.75")
        eventually("it is stored", lambda: len(stored(service)) == 1)


def test_a_probe_in_a_vessel_that_nobody_added_is_told_as_a_problem(tmp_path: Path, broker: Broker) -> None:
    url = furnish(tmp_path, PITCHED)
    astray = replace(OURS, vessel=VesselId("FV8"))

    with running(with_probe(settings(url, broker.port), astray), PITCHED) as service:
        problems = service.health().problems

    assert any("probe well sits in vessel FV8" in each and "gylewatch vessel add FV8" in each for each in problems)
