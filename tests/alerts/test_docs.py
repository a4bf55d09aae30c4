"""docs/alerts.md tells every kind and every setting, with the defaults that the code has."""

from __future__ import annotations

import re
from dataclasses import fields
from datetime import timedelta
from pathlib import Path

import pytest

from alerts.advice import ADVICE, ADVICE_ON_CAUSE, ELSEWHERE, NEVER_STARTED
from alerts.alert import Kind, Subject
from alerts.battery_rules import CHEMISTRIES
from alerts.delivery.policy import DIGEST_LATE, MOST_REMINDERS
from alerts.settings import AlertSettings, load_alert_settings
from alerts.thresholds import section_name
from web.alert_actions import SNOOZE_HOURS

DOCUMENT = (Path(__file__).parents[2] / "docs" / "alerts.md").read_text(encoding="utf-8")
SECTIONS = dict(re.findall(r"^## `([a-z-]+)`\n(.*?)(?=^## |\Z)", DOCUMENT, flags=re.MULTILINE | re.DOTALL))


def rows(kind: Kind) -> dict[str, list[str]]:
    """The table of settings of a kind: name to default, range and reason."""
    found = re.findall(r"^\| `(\w+)` \| (.*) \| (.*) \| (.*) \|$", SECTIONS[kind.value], flags=re.MULTILINE)
    return {name: rest for name, *rest in found}


def test_every_kind_has_its_section_and_no_other_has() -> None:
    assert set(SECTIONS) == {kind.value for kind in Kind}


@pytest.mark.parametrize("kind", list(Kind))
def test_a_kind_has_rule_evidence_next_step_and_its_caution(kind: Kind) -> None:
    section = SECTIONS[kind.value]

    for part in ("**Rule:**", "**Evidence:**", f"**Next:** {ADVICE[kind].next_step}"):
        assert part in section
    assert (ADVICE[kind].caution or "") in section


@pytest.mark.parametrize("kind", list(Kind))
def test_every_setting_of_a_kind_stands_with_its_default_and_reason(kind: Kind) -> None:
    section = getattr(AlertSettings(), section_name(kind))
    documented = rows(kind)

    assert set(documented) == {field.name for field in fields(section)}
    for name, (default, _, reason) in documented.items():
        value = getattr(section, name)
        if isinstance(value, bool):
            assert default == str(value).lower()
        elif value is None:
            assert default == "by chemistry"
        else:
            assert default == (value if isinstance(value, str) else f"{value:g}")
        assert len(reason) > 20, f"{kind.value} {name} has no reason"


@pytest.mark.parametrize("subject", list(ADVICE_ON_CAUSE), ids=lambda subject: subject.cause)
def test_a_further_cause_of_a_kind_has_its_next_step_and_caution_there(subject: Subject) -> None:
    section = SECTIONS[subject.kind.value]

    assert subject.cause in section
    assert ADVICE_ON_CAUSE[subject].next_step in section
    assert (ADVICE_ON_CAUSE[subject].caution or "") in section


def test_a_beer_that_never_started_has_its_own_next_step_and_caution() -> None:
    section = SECTIONS[Kind.FERMENTATION_STALLED.value]

    assert f"**Next, where it never started:** {NEVER_STARTED.next_step}" in section
    assert f"**Caution, where it never started:** {NEVER_STARTED.caution}" in section


@pytest.mark.parametrize("kind", list(ELSEWHERE))
def test_a_float_that_may_lie_elsewhere_has_its_own_next_step(kind: Kind) -> None:
    assert f":** {ELSEWHERE[kind].next_step}" in SECTIONS[kind.value]


def test_every_chemistry_is_listed_with_its_levels() -> None:
    for name, chemistry in CHEMISTRIES.items():
        assert f"| `{name}` | {chemistry.highest_v:g} V | {chemistry.low_v:g} V | {chemistry.empty_v:g} V |" in DOCUMENT


def test_the_example_can_be_used_as_it_stands() -> None:
    (example,) = re.findall(r"```toml\n(.*?)```", DOCUMENT, flags=re.DOTALL)

    settings = load_alert_settings(example, "docs/alerts.md")

    assert settings.fermentation_finished.sustained_h == 24
    assert not settings.is_enabled(Kind.TEMPERATURE_DRIFT)


def test_what_a_person_and_a_channel_can_do_is_told_with_the_programs_own_numbers() -> None:
    doing = DOCUMENT.partition("## What you can do about an open alert")[2].partition("## Delivery")[0]
    hours = [str(hours) for hours in SNOOZE_HOURS]

    assert f"{', '.join(hours[:-1])} or {hours[-1]} hours" in doing
    assert MOST_REMINDERS == 3
    assert "three times at most" in " ".join(doing.split())
    assert timedelta(hours=6) == DIGEST_LATE
    assert "within six hours" in doing
    for key in ("least", "quiet", "time_zone", "remind_hours", "after_hours", "digest"):
        assert f"`{key}`" in doing


def test_finished_warns_of_bursting_bottles_and_of_air_and_defers_to_local_rules() -> None:
    caution = (ADVICE[Kind.FERMENTATION_FINISHED].caution or "").lower()

    for words in ("two to three days", "burst", "local rules", "licensed practice", "closed room needs air"):
        assert words in caution
