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
    "backup_folder_empty": "backup.folder = '': is empty; write a name, or leave it out",
    "backup_folder_is_a_file": "backup.folder = '../secret': is a file; name a folder",
    "backup_folder_of_a_shell": "backup.folder = '~/copies': no shell reads this, so ~ is no home folder",
    "ble_adapter_and_adapters": "stands beside adapter; write one of the two",
    "ble_adapter_empty": "ble.adapter = '': names none; write e.g. \"hci0\"",
    "ble_adapter_twice": "ble.adapters = ['hci0', 'hci0']: names an adapter twice",
    "ble_float_twice": "ble.float: two are called 'heron', and only the last would be used",
    "ble_float_with_odd_name": "ble.float[1].name: float name 'grey heron' is not usable",
    "ble_key_too_short": "ble.float[1].key: the key of 'heron' must have 32 hex digits",
    "ble_layout_behind_a_wider_one": "ble.layout[2]: an earlier one takes all that begins like this",
    "ble_layout_with_wrong_type": "type 'byte' is not known; write one of u8",
    "ble_layout_without_source": "ble.layout[1]: a layout needs exactly one of company and service",
    "certificate_without_tls": "mqtt[1].ca_file: is set, but tls is not; write tls = true",
    "database_in_memory": "database.url: names no file, so nothing would be kept; write sqlite:///gylewatch.sqlite",
    "database_is_a_bare_file": "database.url: is no address of a database; for a file write sqlite:///FILE",
    "database_missing": "the table [database] is missing",
    "database_of_a_shell": "database.url: no shell reads this, so ~ is no home folder",
    "database_of_another_kind": "database.url: begins with 'mysql', which is no database that can be used",
    "database_of_two_slashes": "names no file, so nothing would be kept; write sqlite:///FILE",
    "database_port_is_text": "database.url: its port is no number; write postgresql://USER@HOST:5432/NAME",
    "database_url_empty": "database.url: is empty; write sqlite:///FILE or postgresql://USER@HOST/NAME",
    "database_url_missing": "database.url: is missing; write sqlite:///FILE or postgresql://",
    "database_with_options": "database.url: takes no options; write the file alone: sqlite:///FILE",
    "database_with_short_scheme": "database.url: begins with 'postgres'; write postgresql://USER@HOST/NAME",
    "database_without_file": "database.url: names no file, so nothing would be kept; write sqlite:///FILE",
    "http_host_is_url": "'http://0.0.0.0:8220/': is a URL; write the machine alone: host = '0.0.0.0', port = 8220",
    "http_name_is_url": "'https://brewery.example' is no host name; write it alone, without scheme, path and port",
    "hydrometer_calibrated_in_fahrenheit": "must be -2 to 45 °C; is that °F? in °C it would be 15.6",
    "hydrometer_offset_as_gravity": "is that what it shows in plain water? write what to add, in points: 1.0",
    "instrument_misspelt": "instruments.refractometer_factor: unknown key; did you mean 'refractometer_wort_factor'?",
    "log_level_misspelt": "log.level = 'warn': must be one of debug, info, warning, error; did you mean 'warning'?",
    "mapping_behind_a_wider_one": "a mapping of the topic 'cellar/fv1/tilt' comes behind one of 'cellar/+/tilt'",
    "mapping_of_a_level_that_is_none": "float_level 3: topic 'cellar/+/tilt' has the levels 0 to 2",
    "mapping_on_half_a_level": "mqtt[1].mapping[1]: topic 'cellar/fv+/tilt' holds + or # within a level",
    "mapping_on_no_topic": "mqtt[1].mapping[1]: topic '' is empty",
    "mapping_on_the_readings_topic": "mqtt[1]: a mapping is of the topic 'gylewatch/v1/readings/+'",
    "mapping_with_levels_after_all": "mqtt[1].mapping[1]: topic 'cellar/#/tilt' holds # before its end",
    "mapping_with_odd_float": "mqtt[1].mapping[1]: float name 'grey heron' is not usable",
    "mapping_with_wrong_unit": "mqtt[1].mapping[1]: unit 'degrees' is not known for angle; write one of deg, rad",
    "mapping_without_temperature": "the table [mqtt[1].mapping[1].temperature] is missing",
    "mqtt_host_empty": "mqtt[1].host = '': is empty; write the name or address of the machine",
    "mqtt_host_in_brackets": "mqtt[1].host = '[::1]': write it without brackets: ::1",
    "mqtt_host_is_encrypted_url": "mqtt[1].host: is a URL; write the machine alone: host = 'broker.lan', port = 8883",
    "mqtt_host_is_url": "mqtt[1].host = 'mqtt://broker.lan': is a URL; write the machine alone: host = 'broker.lan'",
    "mqtt_host_with_blank": "mqtt[1].host = ' broker.lan': holds a blank",
    "mqtt_host_with_path": "mqtt[1].host = 'broker.lan/mqtt': is no name or address of a machine; write it alone",
    "mqtt_host_with_port": "the port has a key of its own: host = 'broker.lan', port = 1883",
    "mqtt_is_one_table": "must be tables, each written [[mqtt]]",
    "mqtt_name_empty": "mqtt[1].name = '': is empty",
    "mqtt_username_empty": "mqtt[1]: username is empty; leave it out where the broker asks for none",
    "not_toml": "is not valid TOML: ",
    "notify_name_empty": "notify[1].name = '': is empty",
    "notify_named_as_a_broker": "notify[1].name = 'mqtt:broker': mqtt: is how the brokers are called",
    "notify_without_address": "notify[1].url: is missing",
    "password_in_the_open": "mqtt[1].password: a secret must not stand here; use password_file or password_env",
    "password_without_username": "mqtt[1]: a password needs a username beside it",
    "port_is_text": "http.port = '8220': must be a whole number, 0 to 65535",
    "port_out_of_range": "http.port = 82200: must be 0 to 65535",
    "prefix_empty": "mqtt[1]: prefix is empty; leave it out for gylewatch/v1",
    "prefix_of_the_broker": "mqtt[1]: prefix '$SYS/beer' begins with $, which brokers keep to themselves",
    "prefix_with_wildcard": "mqtt[1]: prefix 'beer/+' must be topic levels without +, #",
    "probe_on_many_topics": "mqtt[1].probe[1]: topic 'cellar/+/temp' must name one topic, without + and #",
    "probe_on_no_topic": "mqtt[1].probe[1]: topic '' is empty",
    "probe_with_topic_without_temperature": "mqtt[1].probe[1]: a probe with a topic of its own needs temperature",
    "probe_with_wrong_unit": "mqtt[1].probe[1]: unit 'R' is not known for temperature; write one of Cel, F, K",
    "probe_without_vessel": "mqtt[1].probe[1].vessel: is missing",
    "quiet_without_end": "notify[1].quiet = ['22:00']: must be begin and end",
    "quiet_without_zone": "notify[1].time_zone: is missing; quiet needs it",
    "secret_file_misprinted": "http.token_file = 'http\\x00token': holds a zero character",
    "secret_file_missing": "http.token_file = 'nowhere': this file cannot be read",
    "secret_named_twice": "http.token_env: token_file says the same; keep one of them",
    "secret_of_several_lines": "mqtt[1].password_file = 'mqtt_name_empty.toml': this file holds several lines",
    "secret_variable_not_set": "http.token_env = 'NOT_SET': this environment variable is not set",
    "time_zone_unknown": "notify[1].time_zone = 'Europe/Wien-West': is no time zone that is installed here",
    "token_with_umlauts": "http: the token must be plain letters (a to z, A to Z), digits and signs",
    "two_brokers_of_one_name": "[[mqtt]]: two are called 'broker'",
    "two_brokers_of_one_session": "mqtt[2].client_id",
    "two_probes_in_one_vessel": "[[mqtt.probe]]: two sit in vessel 'FV1'; keep the one in the beer",
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


def test_a_machine_may_be_named_or_have_an_address_of_either_kind(tmp_path: Path) -> None:
    path = tmp_path / "gylewatch.toml"
    hosts = ("broker", "broker.lan", "brauerei-gärkeller.example", "192.168.1.20", "::1", "fe80::1%eth0")
    for host in hosts:
        path.write_text(f'[database]\nurl = "sqlite:///x.sqlite"\n[[mqtt]]\nhost = "{host}"\n', encoding="utf-8")

        assert read_settings(path).brokers[0].host == host


def test_a_mapping_of_one_topic_may_stand_before_a_wider_one(tmp_path: Path) -> None:
    path = tmp_path / "gylewatch.toml"
    places = 'angle = { pointer = "/tilt", unit = "deg" }\ntemperature = { pointer = "/temp", unit = "Cel" }\n'
    topics = ("cellar/fv1/tilt", "cellar/+/tilt", "cellar/#")
    mappings = [f'[[mqtt.mapping]]\ntopic = "{topic}"\nfloat_level = 1\n{places}' for topic in topics]
    path.write_text('[database]\nurl = "sqlite:///x.sqlite"\n[[mqtt]]\n' + "\n".join(mappings), encoding="utf-8")

    assert [mapping.topic for mapping in read_settings(path).brokers[0].mappings] == list(topics)


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
    assert (settings.retention.readings_days, settings.retention.estimates_days) == (400, 90)
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
