"""Alert settings from TOML: what is taken over, and what each fault is answered with."""

from __future__ import annotations

import pytest

from alerts.alert import Kind
from alerts.settings import AlertSettings, load_alert_settings
from gylewatch.errors import InputError


def test_an_empty_file_gives_the_defaults() -> None:
    assert load_alert_settings("", "alerts.toml") == AlertSettings()


def test_what_is_given_is_taken_and_the_rest_keeps_its_default() -> None:
    text = "[alerts.fermentation-finished]\nsustained_h = 48\n[alerts.battery-low]\nchemistry = 'li-ion'\nlow_v = 3.6\n"

    settings = load_alert_settings(text, "alerts.toml")

    assert settings.fermentation_finished.sustained_h == 48.0
    assert settings.fermentation_finished.late_sustained_h == AlertSettings().fermentation_finished.late_sustained_h
    assert (settings.battery_low.chemistry, settings.battery_low.low_v) == ("li-ion", 3.6)


@pytest.mark.parametrize("kind", list(Kind))
def test_every_kind_can_be_switched_off(kind: Kind) -> None:
    settings = load_alert_settings(f"[alerts.{kind.value}]\nenabled = false\n", "alerts.toml")

    assert [each for each in Kind if not settings.is_enabled(each)] == [kind]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[alerts", ["alerts.toml", "not valid TOML"]),
        ("alerts = 3", ["alerts.toml", "must be a table"]),
        ("[http]\nport = 1", ["unknown table [http]"]),
        ("[alerts.fermentation-finnished]\n", ["fermentation-finnished", "did you mean 'fermentation-finished'"]),
        ("[alerts.float-silent]\nflor_h = 2", ["[alerts.float-silent]", "'flor_h'", "did you mean 'floor_h'"]),
        ("[alerts.float-silent]\nfloor_h = 'two'", ["floor_h", "from 0.05 to 96", "'two'"]),
        ("[alerts.float-silent]\nfloor_h = -1", ["floor_h", "from 0.05 to 96", "-1"]),
        ("[alerts.float-silent]\nfloor_h = nan", ["floor_h", "from 0.05 to 96"]),
        ("[alerts.float-silent]\nfloor_h = true", ["floor_h", "a number", "True"]),
        ("[alerts.float-silent]\nenabled = 'no'", ["enabled", "true or false"]),
        ("[alerts.fermentation-started]\nreadings = 2.5", ["readings", "whole number"]),
        ("[alerts.battery-low]\nchemistry = 'coal'", ["chemistry", "li-ion", "'coal'"]),
        ("[alerts]\nfloat-silent = 4", ["[alerts.float-silent]", "must be a table"]),
    ],
)
def test_a_fault_is_named_with_its_place_and_remedy(text: str, words: list[str]) -> None:
    with pytest.raises(InputError) as refused:
        load_alert_settings(text, "alerts.toml")

    message = str(refused.value)
    assert "\n" not in message.strip()
    assert all(word in message for word in words), message
