"""Recording a float beside the running service, on a real broker, and reading the file elsewhere."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from paho.mqtt import subscribe

from collector.senml import encode_senml_json
from collector.topics import readings_topic
from gylewatch.capturing import Around
from gylewatch.config import Settings
from tests.broker import Broker, free_port
from tests.collector.sender import connected_sender
from tests.eventually import eventually
from tests.gylewatch.brew import pale_readings
from tests.gylewatch.live import furnish, request
from tests.gylewatch.live import running as running_service
from tests.gylewatch.workbench import Terminal
from web.settings import HttpSettings

MAPPING = """
[[mqtt.mapping]]
topic = "cellar/+/tilt"
float_level = 1
angle = { pointer = "/tilt", unit = "deg" }
temperature = { pointer = "/temp", unit = "Cel" }
"""


@contextmanager
def capturing(folder: Path, *words: str) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-m", "gylewatch.cli", "capture", *words],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as running:
        try:
            yield running
        finally:
            running.kill()


def configure(folder: Path, port: int) -> None:
    (folder / "gylewatch.toml").write_text(
        f'[database]\nurl = "sqlite:///gylewatch.sqlite"\n[[mqtt]]\nport = {port}\n{MAPPING}', encoding="utf-8"
    )


def is_listening(broker: Broker) -> bool:
    """A plain wait is not possible: the broker keeps nothing for a subscriber that it has not seen yet."""
    return "gylewatch-capture-" in broker.log()


def send_until_it_ends(
    running: subprocess.Popen[str], broker: Broker, *packets: tuple[str, bytes], within_s: float = 15.0
) -> None:
    """Send the packets, each a topic and a payload, again and again until the capture is over."""
    with connected_sender(broker.port) as sender:

        def send() -> bool:
            for topic, payload in packets:
                sender.send(topic, payload)
            return running.poll() is not None

        eventually("it is over", send, within_s)


def test_a_floats_packets_are_recorded_without_secrets_and_shown_as_readings(
    tmp_path: Path, bare: Terminal, broker: Broker
) -> None:
    configure(bare.folder, broker.port)
    readings = pale_readings(2, datetime.now(UTC) - timedelta(days=1))

    with capturing(bare.folder, "heron", "--out", "heron.jsonl", "--count", "3") as running:
        eventually("it listens", lambda: is_listening(broker))
        send_until_it_ends(
            running,
            broker,
            (readings_topic("wren"), encode_senml_json(readings)),
            (readings_topic("heron"), encode_senml_json(readings)),
            ("cellar/heron/tilt", b'{"tilt": 41.5, "temp": 19, "password": "hops"}'),
        )
        said, complaints = running.communicate()
    shown = bare.type("capture show heron.jsonl --json").json["packets"]

    assert "3 packets of heron in heron.jsonl; look through it" in said
    assert complaints == ""
    assert "hops" not in (bare.folder / "heron.jsonl").read_text(encoding="utf-8")
    assert {each["origin"] for each in shown} == {readings_topic("heron"), "cellar/heron/tilt"}
    assert {round(each["reading"]["angle_deg"], 1) for each in shown} >= {41.5, round(readings[0].angle_deg, 1)}


def test_what_a_float_posts_is_recorded_without_its_token(tmp_path: Path, bare: Terminal) -> None:
    begun = datetime.now(UTC)
    token, port = "a-token-that-nobody-may-see", free_port()
    (bare.folder / "token").write_text(token)
    (bare.folder / "token").chmod(0o600)
    url = furnish(tmp_path, begun - timedelta(days=2))
    (bare.folder / "gylewatch.toml").write_text(
        f'[database]\nurl = "{url}"\n[http]\nport = {port}\ntoken_file = "token"\n', encoding="utf-8"
    )
    wanted = Settings(database_url=url, http=HttpSettings(port=port, token=token))
    one, other = pale_readings(2, begun - timedelta(days=1))
    headers = {"Authorization": f"Bearer {token}", "Content-Type": "application/senml+json"}

    with (
        capturing(bare.folder, "heron", "--out", "heron.jsonl", "--count", "2") as running,
        running_service(wanted, begun) as service,
    ):

        def post() -> bool:
            for name, reading in (("heron", one), ("wren", other), ("heron", other)):
                path, body = f"/api/v1/readings?float={name}", encode_senml_json([reading])
                request(service, "POST", path, body, headers)
            return running.poll() is not None

        eventually("two are recorded", post)
        said, _ = running.communicate()
    shown = bare.type("capture show heron.jsonl --json").json["packets"]

    assert "2 packets of heron" in said
    assert token not in (bare.folder / "heron.jsonl").read_text(encoding="utf-8")
    assert {(each["source"], each["origin"]) for each in shown} == {("http", "heron")}
    assert all(each["reading"]["float"] == "heron" for each in shown)


def test_a_service_that_does_not_answer_is_told(bare: Terminal) -> None:
    (bare.folder / "token").write_text("a-token-that-nobody-may-see")
    (bare.folder / "gylewatch.toml").write_text(
        f'[database]\nurl = "sqlite:///x.sqlite"\n[http]\nport = {free_port()}\ntoken_file = "token"\n',
        encoding="utf-8",
    )

    with capturing(bare.folder, "heron", "--out", "heron.jsonl", "--minutes", "0.03") as running:
        _, complaints = running.communicate()

    assert "does not answer (Connection refused); what floats post is heard only while it runs" in complaints
    assert running.returncode == 1


def test_without_a_broker_the_end_says_that_and_leaves_no_empty_file(bare: Terminal) -> None:
    configure(bare.folder, free_port())

    with capturing(bare.folder, "heron", "--out", "heron.jsonl", "--minutes", "0.03") as running:
        said, complaints = running.communicate()

    assert running.returncode == 1
    assert said == ""
    assert "heron: no packet was recorded: the broker at 127.0.0.1:" in complaints.splitlines()[-1]
    assert "cannot be reached (Connection refused)" in complaints.splitlines()[-1]
    assert not (bare.folder / "heron.jsonl").exists()


def test_where_only_other_floats_send_they_are_named(bare: Terminal, broker: Broker) -> None:
    configure(bare.folder, broker.port)
    readings = pale_readings(1, datetime.now(UTC) - timedelta(days=1))

    with capturing(bare.folder, "hernn", "--out", "heron.jsonl", "--minutes", "0.1") as running:
        eventually("it listens", lambda: is_listening(broker))
        packets = [(readings_topic(name), encode_senml_json(readings)) for name in ("float10", "heron", "float9")]
        send_until_it_ends(running, broker, *packets, within_s=30.0)
        _, complaints = running.communicate()

    assert running.returncode == 1
    assert complaints == (
        "gylewatch: hernn: no packet was recorded: heard were float9, float10, heron; give the name under which "
        "hernn sends, or wait longer (--minutes)\n"
    )
    assert not (bare.folder / "heron.jsonl").exists()


@pytest.mark.parametrize(
    ("around", "said"),
    [
        (Around(problems=["the broker is away"]), "the broker is away"),
        (
            Around(others={"float10", "float9"}),
            "heard were float9, float10; give the name under which heron sends, or wait",
        ),
        (Around(others=set("abcdefg")), "heard were a, b, c, d, e and 2 more; give the name"),
        (Around(problems=["one is away"], others={"wren"}), "one is away; heard were wren; give"),
        (Around(), "no float was heard at all; floats report every 15 to 60 minutes, so wait longer (--minutes)"),
    ],
)
def test_why_nothing_came_is_what_was_noticed_meanwhile(around: Around, said: str) -> None:
    assert around.why_nothing("heron").startswith(said)


def test_a_recording_leaves_the_services_status_alone(bare: Terminal, broker: Broker) -> None:
    configure(bare.folder, broker.port)
    with connected_sender(broker.port) as sender:
        sender.send("gylewatch/v1/service/status", b"online", retain=True)

    with capturing(bare.folder, "heron", "--out", "heron.jsonl", "--minutes", "0.02") as running:
        said, complaints = running.communicate(timeout=60)
    status = subscribe.simple("gylewatch/v1/service/status", hostname="127.0.0.1", port=broker.port)  # type: ignore[no-untyped-call]

    assert said == ""
    assert "heron: no packet was recorded: no float was heard at all" in complaints
    assert "gylewatch-capture-" in broker.log()
    assert status.payload == b"online"


def test_a_file_that_is_there_is_kept(bare: Terminal, broker: Broker) -> None:
    configure(bare.folder, broker.port)
    (bare.folder / "heron.jsonl").write_text("mine")

    answer = bare.type("capture heron --out heron.jsonl")

    assert answer.code == 2
    assert "is there already and is not overwritten" in answer.err
    assert (bare.folder / "heron.jsonl").read_text() == "mine"


def test_a_capture_can_be_read_without_a_configuration_and_names_what_is_refused(bare: Terminal) -> None:
    line = (
        '{"received":"2026-03-02T18:30:00Z","source":"mqtt","origin":"gylewatch/v1/readings/heron","retained":false,'
        '"rssi_dbm":null,"payload":"W3sibiI6ImFuZ2xlIiwidSI6ImRlZyIsInYiOjQ3LjN9XQ=="}'
    )  # [{"n":"angle","u":"deg","v":47.3}]
    (bare.folder / "wren.jsonl").write_text(line + "\n")

    shown = bare.type("capture show wren.jsonl").out

    assert "refused, missing-field" in shown


def test_a_file_that_is_no_capture_is_one_line_with_its_row(bare: Terminal) -> None:
    (bare.folder / "wren.jsonl").write_text("time,float,angle_deg\n")

    answer = bare.type("capture show wren.jsonl")

    assert answer.code == 2
    assert answer.err.startswith("wren.jsonl row 1: this line is no captured packet")


def test_without_a_receiver_there_is_nothing_to_record(bare: Terminal) -> None:
    (bare.folder / "gylewatch.toml").write_text('[database]\nurl = "sqlite:///gylewatch.sqlite"\n')

    answer = bare.type("capture heron --out heron.jsonl")

    assert (answer.code, "neither [[mqtt]] nor [ble]" in answer.err) == (2, True)
    assert not (bare.folder / "heron.jsonl").exists()
