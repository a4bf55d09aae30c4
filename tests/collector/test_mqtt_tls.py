"""Encrypted connections to a real mosquitto, with an authority of our own."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.inbox import Inbox
from collector.mqtt import MqttCollector
from collector.mqtt_settings import MqttSettings, TlsSettings
from gylewatch.errors import ConfigError
from tests.broker import Broker
from tests.certificates import Authority
from tests.eventually import eventually

QUICK = (0.05, 0.2)


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path / "authority")


@pytest.fixture
def broker(tmp_path: Path, authority: Authority) -> Iterator[Broker]:
    """Lets in only clients with a certificate of the authority, who are then called by its name."""
    cert_file, key_file = authority.issue("broker")
    config = "\n".join(
        [
            f"cafile {authority.file}",
            f"certfile {cert_file}",
            f"keyfile {key_file}",
            "require_certificate true",
            "use_identity_as_username true",
            "allow_anonymous false",
        ]
    )
    with Broker(tmp_path / "broker", config) as running:
        yield running


def outcome(broker: Broker, tls: TlsSettings | None) -> str:
    """``connected``, or the sentence that says why not."""
    collector = MqttCollector(MqttSettings(port=broker.port, tls=tls), Inbox(), reconnect_s=QUICK)
    before = collector.health().problem
    collector.start()
    try:
        eventually("it is decided", lambda: collector.health().problem != before)
        health = collector.health()
        return "connected" if health.connected else health.problem or ""
    finally:
        collector.stop()


def test_a_client_certificate_of_the_brokers_authority_lets_us_in(broker: Broker, authority: Authority) -> None:
    cert_file, key_file = authority.issue("gylewatch")

    assert outcome(broker, TlsSettings(ca_file=authority.file, cert_file=cert_file, key_file=key_file)) == "connected"


def test_a_broker_of_another_authority_is_not_trusted_and_the_remedy_is_told(broker: Broker, tmp_path: Path) -> None:
    other = Authority(tmp_path / "other", "another authority")
    cert_file, key_file = other.issue("gylewatch")

    problem = outcome(broker, TlsSettings(ca_file=other.file, cert_file=cert_file, key_file=key_file))

    assert "certificate is not trusted" in problem
    assert "set ca_file" in problem


@pytest.mark.parametrize(
    ("issued", "remedy"),
    [
        ({"since": timedelta(days=-400), "until": timedelta(days=-1)}, "renew it, or that of its authority"),
        ({"since": timedelta(days=1), "until": timedelta(days=2)}, "this machine's clock is behind"),
        ({"address": "192.0.2.1"}, "set host to a name or an address that stands in it"),
    ],
)
def test_a_certificate_that_is_out_of_date_or_of_another_machine_is_not_put_down_to_its_authority(
    tmp_path: Path, authority: Authority, issued: dict[str, Any], remedy: str
) -> None:
    cert_file, key_file = authority.issue("broker", **issued)
    config = f"allow_anonymous true\ncertfile {cert_file}\nkeyfile {key_file}"

    with Broker(tmp_path / "broker", config) as broker:
        problem = outcome(broker, TlsSettings(ca_file=authority.file))

    assert remedy in problem
    assert "ca_file" not in problem


def test_without_the_client_certificate_it_asks_for_the_broker_is_named_with_the_remedy(
    broker: Broker, authority: Authority
) -> None:
    problem = outcome(broker, TlsSettings(ca_file=authority.file))

    assert f"127.0.0.1:{broker.port}" in problem
    assert "certificate" in problem


def test_an_unencrypted_connection_to_an_encrypted_port_fails_with_place_and_remedy(broker: Broker) -> None:
    problem = outcome(broker, None)

    assert f"127.0.0.1:{broker.port}" in problem
    assert "check that tls" in problem


def test_a_certificate_file_that_is_missing_is_a_config_error_that_names_it(tmp_path: Path) -> None:
    missing = tmp_path / "nowhere.pem"

    with pytest.raises(ConfigError, match=r"nowhere\.pem"):
        MqttCollector(MqttSettings(tls=TlsSettings(ca_file=missing)), Inbox())
