from __future__ import annotations

import pytest

from gylewatch.values import FloatId
from storage.records import FloatRecord, HeardFloat
from tests.web.brewery import NOW
from web.adopt_form import parse_adoption
from web.typed import Question


def heard(name: str, source: str) -> HeardFloat:
    return HeardFloat(name=name, source=source, first_heard=NOW, last_heard=NOW, packets=3, rssi_dbm=-70)


def test_a_float_heard_by_its_address_gets_the_name_the_user_gives() -> None:
    taken = parse_adoption({"name": " heron ", "note": "FV1"}, heard("AA:BB:CC:DD:EE:FF", "ble"), created=NOW)

    assert taken == FloatRecord(float_id=FloatId("heron"), created=NOW, note="FV1", address="AA:BB:CC:DD:EE:FF")


@pytest.mark.parametrize("source", ["mqtt", "http"])
def test_a_float_that_sends_its_name_keeps_it(source: str) -> None:
    taken = parse_adoption({"name": "other"}, heard("magpie", source), created=NOW)

    assert taken == FloatRecord(float_id=FloatId("magpie"), created=NOW)


@pytest.mark.parametrize(("typed", "asked"), [("", "What shall the float be called?"), ("my float", "is not usable")])
def test_a_name_that_cannot_be_used_is_asked_about(typed: str, asked: str) -> None:
    question = parse_adoption({"name": typed}, heard("AA:BB:CC:DD:EE:FF", "ble"), created=NOW)

    assert isinstance(question, Question)
    assert asked in question.sentence


def test_a_sent_name_that_cannot_be_used_is_to_be_changed_at_the_float() -> None:
    question = parse_adoption({}, heard("pub cellar #2", "mqtt"), created=NOW)

    assert isinstance(question, Question)
    assert "change it where the float is set up" in question.sentence
