"""The configuration: good files give settings, bad files one sentence that names file, key and remedy."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from alerts.alert import Severity
from collector.tilt import Axis
from gylewatch.config import read_settings
from gylewatch.errors import ConfigError
from gylewatch.first_config import FIRST_CONFIG
from gylewatch.values import FloatId, HandSettings
from storage.records import FloatRecord

CASES = Path(__file__).parent / "config_cases"
SECRET = "correct horse battery staple"
KEY = "231d39c1d7cc1ab1aee224cd096db932"
ENVIRONMENT = {"BREWERY_DATABASE": "postgresql://app@db/brewery", "HERON_KEY": KEY}

EXPECTED = {
    "alert_value_out_of_range": "alerts.float-silent] floor_h: must be a number from 0.05",
    "ble_adapter_twice": "ble.adapters = ['hci0', 'hci0']: names an adapter twice",
    "ble_adapter_and_adapters": "stands beside adapter; write one of the two",
    "ble_key_too_short": "ble.float[1].key: the key of 'heron' must have 32 hex digits",
    "ble_layout_with_wrong_type": "type 'byte' is not known; write one of u8",
    "ble_layout_without_source": "ble.layout[1]: a layout needs exactly one of company and service",
    "certificate_without_tls": "mqtt[1].ca_file: is set, but tls is not; write tls = true",
    "database_missing": "the table [database] is missing",
    "database_url_missing": "database.url: is missing; write sqlite:///FILE or postgresql://",
    "hydrometer_calibrated_in_fahrenheit": "must be -2 to 45 °C; is that °F? in °C it would be 15.6",
    "hydrometer_offset_as_gravity": "is that what it shows in plain water? write what to add, in points: 1.0",
    "instrument_misspelt": "instruments.refractometer_factor: unknown key; did you mean 'refractometer_wort_factor'?",
    "log_level_misspelt": "log.level = 'warn': must be one of debug, info, warning, error; did you mean 'warning'?",
    "mapping_on_half_a_level": "mqtt[1].mapping[1]: topic 'cellar/fv+/tilt' holds + or # within a level",
    "mapping_on_no_topic": "mqtt[1].mapping[1]: topic '' is empty",
    "mapping_with_levels_after_all": "mqtt[1].mapping[1]: topic 'cellar/#/tilt' holds # before its end",
    "mapping_with_wrong_unit": "mqtt[1].mapping[1]: unit 'degrees' is not known for angle; write one of deg, rad",
    "mapping_without_temperature": "the table [mqtt[1].mapping[1].temperature] is missing",
    "mqtt_host_empty": "mqtt[1]: host is empty",
    "mqtt_is_one_table": "must be tables, each written [[mqtt]]",
    "not_toml": "is not valid TOML: ",
    "notify_without_address": "notify[1].url: is missing",
    "password_in_the_open": "mqtt[1].password: a secret must not stand here; use password_file or password_env",
    "password_without_username": "mqtt[1]: a password needs a username beside it",
    "probe_on_many_topics": "mqtt[1].probe[1]: topic 'cellar/+/temp' must name one topic, without + and #",
    "probe_with_topic_without_temperature": "mqtt[1].probe[1]: a probe with a topic of its own needs temperature",
    "probe_with_wrong_unit": "mqtt[1].probe[1]: unit 'R' is not known for temperature; write one of Cel, F, K",
    "probe_without_vessel": "mqtt[1].probe[1].vessel: is missing",
    "two_probes_in_one_vessel": "[[mqtt.probe]]: two sit in vessel 'FV1'; keep the one in the beer",
    "port_is_text": "http.port = '8220': must be a whole number, 0 to 65535",
    "port_out_of_range": "http.port = 82200: must be 0 to 65535",
    "prefix_with_wildcard": "mqtt[1]: prefix 'beer/+' must be topic levels without +, #",
    "quiet_without_end": "notify[1].quiet = ['22:00']: must be begin and end",
    "quiet_without_zone": "notify[1].time_zone: is missing; quiet needs it",
    "probe_on_no_topic": "mqtt[1].probe[1]: topic '' is empty",
    "secret_file_misprinted": "http.token_file = 'http\\x00token': holds a zero character",
    "secret_file_missing": "http.token_file = 'nowhere': this file cannot be read",
    "secret_named_twice": "http.token_env: token_file says the same; keep one of them",
    "secret_variable_not_set": "http.token_env = 'NOT_SET': this environment variable is not set",
    "time_zone_unknown": "notify[1].time_zone = 'Europe/Wien-West': is no time zone that is installed here",
    "two_brokers_of_one_name": "[[mqtt]]: two are called 'broker'",
    "unknown_alert_kind": "did you mean 'float-silent'?",
    "unknown_key": "http.prot: unknown key; did you mean 'port'?",
    "unknown_protocol": "mqtt[1].protocol = '4': must be one of 5, 3.1.1",
    "unknown_section": "htpp: unknown key; did you mean 'http'?",
}


@pytest.mark.parametrize("path", sorted((CASES / "bad").glob("*.toml")), ids=lambda path: path.stem)
def test_a_bad_file_is_refused_with_file_key_and_remedy(path: Path) -> None:
    with pytest.raises(ConfigError) as refusal:
        read_settings(path, {})

    said = str(refusal.value)
    assert EXPECTED[path.stem] in said
    assert said.count(path.name) == 1
    assert "\n" not in said
    assert "hunter2" not in said


def test_every_fault_of_the_list_has_its_file() -> None:
    assert {path.stem for path in (CASES / "bad").glob("*.toml")} == set(EXPECTED)


def test_the_smallest_file_gives_the_defaults_and_a_database_beside_it() -> None:
    settings = read_settings(CASES / "good" / "smallest.toml")

    assert settings.database_url == f"sqlite:///{CASES / 'good' / 'brewery.sqlite'}"
    assert settings.brokers == ()
    assert (settings.http.host, settings.http.port, settings.http.token) == ("127.0.0.1", 8220, None)
    assert settings.backup is None


def test_every_key_reaches_its_place() -> None:
    settings = read_settings(CASES / "good" / "everything.toml", ENVIRONMENT)

    cellar, attic = settings.brokers
    assert settings.database_url == "postgresql://app@db/brewery"
    assert (cellar.place, cellar.protocol, cellar.client_id) == ("broker.example:8883", "3.1.1", "cellar-watch")
    assert (cellar.username, cellar.password) == ("watch", SECRET)
    assert cellar.tls is not None
    assert cellar.tls.ca_file == CASES / "good" / "ca.pem"
    assert cellar.mappings[0].temperature.unit == "F"
    ours, mapped = cellar.probes
    assert (ours.name, ours.vessel, ours.topic_under("p")) == ("thermowell-1", "FV1", "p/temperatures/thermowell-1")
    assert (mapped.topic_under("p"), mapped.vessel) == ("cellar/fv2/temp", "FV2")
    assert mapped.temperature is not None
    assert mapped.temperature.unit == "F"
    assert mapped.time is not None
    assert mapped.time.pointer == "/at"
    assert (attic.place, attic.prefix, attic.probes) == ("127.0.0.1:1883", "attic/beer", ())
    assert (settings.http.host, settings.http.port, settings.http.token) == ("0.0.0.0", 9000, SECRET)
    assert settings.http.fahrenheit
    assert settings.http.names == ("brewery.example",)
    assert settings.floats.long_axis is Axis.MINUS_X
    assert settings.floats.limits.age == timedelta(days=60)
    assert settings.floats.limits.future == timedelta(minutes=10)
    assert (settings.channels[0].name, settings.channels[0].url) == ("phone", SECRET)
    assert not settings.channels[0].picture
    policy = settings.channels[0].policy
    assert (policy.least, policy.zone) == (Severity.WARNING, ZoneInfo("Europe/Vienna"))
    assert (policy.quiet, policy.digest) == ((time(22), time(7)), time(8))
    assert (policy.remind, policy.after) == (timedelta(hours=12), timedelta(hours=1.5))
    assert settings.alerts.float_silent.floor_h == 6.0
    assert settings.floats.clock.network_time
    assert settings.retention.readings_days == 400
    assert settings.backup is not None
    assert (settings.backup.folder, settings.backup.keep) == (CASES / "good" / "copies", 3)
    assert (settings.log.level, settings.log.format) == ("debug", "json")
    assert settings.instruments == HandSettings(
        hydrometer_calibration_c=15.56,
        hydrometer_offset_sg=0.001,
        hydrometer_meniscus_sg=-0.0005,
        wort_correction_factor=1.02,
        refractometer_compensates=False,
    )


def test_several_adapters_have_everything_else_in_common() -> None:
    section = read_settings(CASES / "good" / "two_adapters.toml").ble
    assert section is not None

    assert [(each.adapter, each.scanning) for each in section.radios()] == [("hci0", "passive"), ("hci1", "passive")]


def test_bluetooth_floats_get_their_address_from_the_database_and_their_key_from_the_environment() -> None:
    settings = read_settings(CASES / "good" / "everything.toml", ENVIRONMENT)
    assert settings.ble is not None
    created = datetime(2026, 3, 2, tzinfo=UTC)
    records = [
        FloatRecord(float_id=FloatId("heron"), created=created, address="c0:ff:ee:00:00:01"),
        FloatRecord(float_id=FloatId("wren"), created=created, address="C0:FF:EE:00:00:02"),
        FloatRecord(float_id=FloatId("plover"), created=created),
    ]

    decoding = settings.ble.decoding(records)

    assert (settings.ble.settings.adapter, settings.ble.settings.scanning) == ("hci1", "passive")
    assert {address: (each.name, each.key) for address, each in decoding.floats.items()} == {
        "C0:FF:EE:00:00:01": ("heron", bytes.fromhex(KEY)),
        "C0:FF:EE:00:00:02": ("wren", None),
    }
    (layout,) = decoding.layouts
    assert (layout.company, layout.starts_with) == (0xFFFF, b"GW")
    assert layout.angle is not None
    assert (layout.angle.offset, layout.angle.big_endian) == (2, True)


def test_no_secret_is_shown_when_settings_are_printed() -> None:
    shown = repr(
        read_settings(
            CASES / "good" / "everything.toml", {**ENVIRONMENT, "BREWERY_DATABASE": "postgresql://a:pw123@db/b"}
        )
    )

    assert SECRET not in shown
    assert "pw123" not in shown
    assert KEY not in shown
    assert repr(bytes.fromhex(KEY)) not in shown


def test_a_missing_file_says_how_to_write_one(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"no such file; write one with: gylewatch init"):
        read_settings(tmp_path / "gylewatch.toml")


def test_the_file_that_init_writes_is_good(tmp_path: Path) -> None:
    path = tmp_path / "gylewatch.toml"
    path.write_text(FIRST_CONFIG, encoding="utf-8")

    settings = read_settings(path)

    assert settings.brokers[0].place == "127.0.0.1:1883"


def test_every_line_that_init_comments_out_is_good_too(tmp_path: Path) -> None:
    (tmp_path / "gylewatch.toml").write_text(uncommented(FIRST_CONFIG), encoding="utf-8")
    for name in ("mqtt-password", "http-token", "notify-url"):
        (tmp_path / name).write_text(SECRET, encoding="utf-8")
    (tmp_path / "heron-key").write_text(KEY, encoding="utf-8")

    settings = read_settings(tmp_path / "gylewatch.toml")

    assert settings.brokers[0].mappings[0].topic == "cellar/+/tilt"
    assert settings.ble is not None
    assert settings.backup is not None


def uncommented(text: str) -> str:
    """The file with every key and table that stands behind a ``#`` switched on; prose stays a comment."""
    lines = [
        line.removeprefix("# ") if line.startswith("# ") and (" = " in line or line.startswith("# [")) else line
        for line in text.splitlines()
    ]
    return "\n".join(lines) + "\n"
