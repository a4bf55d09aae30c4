"""The user's mapping of JSON. Pointer semantics: the examples of RFC 6901 (2013), section 5."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.mapping import JsonMapping, Place, decode_json
from collector.packet import Fields, Reason, Refusal


def mapping(**more: object) -> JsonMapping:
    basic: dict[str, object] = {
        "topic": "cellar/+/out",
        "float_level": 1,
        "angle": Place(pointer="/tilt", unit="deg"),
        "temperature": Place(pointer="/temp", unit="Cel"),
    }
    return JsonMapping(**(basic | more))  # type: ignore[arg-type]


def read(document: object, **more: object) -> Fields | Refusal:
    return decode_json(mapping(**more), "cellar/wren/out", json.dumps(document).encode())


def fields(found: Fields | Refusal) -> Fields:
    assert isinstance(found, Fields), found
    return found


def refusal(found: Fields | Refusal) -> Refusal:
    assert isinstance(found, Refusal), found
    return found


# RFC 6901, section 5: the document and which value each pointer finds.
RFC_DOCUMENT = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}


@pytest.mark.parametrize(
    ("pointer", "value"),
    [("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3), ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8)],
)
def test_pointers_find_what_the_rfc_says(pointer: str, value: float) -> None:
    found = read({"temp": 20, **RFC_DOCUMENT}, angle=Place(pointer=pointer, unit="deg"))

    assert fields(found).angle_deg == value


@pytest.mark.parametrize(
    ("quantity", "unit", "sent", "field", "expected"),
    [
        ("angle", "rad", math.pi / 3, "angle_deg", 60.0),
        ("temperature", "F", 68, "temperature_c", 20.0),
        ("temperature", "K", 293.15, "temperature_c", 20.0),
        ("battery", "mV", 3900, "battery_v", 3.9),
        ("charge", "/", 0.8, "battery_percent", 80.0),
        ("rssi", "dBm", -61, "rssi_dbm", -61),
        ("time", "ms", 1_772_476_200_000, "time", datetime(2026, 3, 2, 18, 30, tzinfo=UTC)),
        ("time", "iso", "2026-03-02T19:30:00+01:00", "time", datetime(2026, 3, 2, 18, 30, tzinfo=UTC)),
        ("temperature", "Cel", "20.5", "temperature_c", 20.5),
    ],
)
def test_units_are_converted(quantity: str, unit: str, sent: object, field: str, expected: object) -> None:
    found = read({"tilt": 40, "temp": 20, "x": sent}, **{quantity: Place(pointer="/x", unit=unit)})

    value = getattr(fields(found), field)
    assert value == (pytest.approx(expected) if isinstance(expected, float) else expected)


def test_three_axes_in_g_give_tilt_and_size() -> None:
    axes = {name: Place(pointer=f"/acc/{index}", unit="g") for index, name in enumerate(("ax", "ay", "az"))}

    found = fields(read({"temp": 20, "acc": [0.6, 0.0, 0.8]}, angle=None, **axes))

    assert found.angle_deg == pytest.approx(math.degrees(math.atan2(0.6, 0.8)))
    assert found.acceleration_g == pytest.approx(1.0)


def test_the_float_is_named_by_topic_payload_or_the_user() -> None:
    document = {"tilt": 40, "temp": 20, "id": "robin"}

    assert fields(read(document)).float_name == "wren"
    assert fields(read(document, float_level=None, float_pointer="/id")).float_name == "robin"
    assert fields(read(document, float_level=None, float_name="heron")).float_name == "heron"


@pytest.mark.parametrize(
    ("document", "reason"),
    [
        ({"temp": 20}, Reason.MISSING_FIELD),
        ({"tilt": "steep", "temp": 20}, Reason.NOT_A_NUMBER),
        ({"tilt": math.nan, "temp": 20}, Reason.NOT_A_NUMBER),
        ({"tilt": True, "temp": 20}, Reason.NOT_A_NUMBER),
        ([1, 2], Reason.MISSING_FIELD),
    ],
)
def test_what_cannot_be_read_is_refused_with_the_pointer(document: object, reason: Reason) -> None:
    found = refusal(read(document))

    assert found.reason is reason
    assert "/tilt" in found.detail


@pytest.mark.parametrize(("quantity", "field"), [("battery", "battery_v"), ("rssi", "rssi_dbm")])
def test_a_gauge_that_says_no_number_costs_only_itself_and_is_not_mistaken_for_one_that_is_missing(
    quantity: str, field: str
) -> None:
    place = Place(pointer="/x", unit="V" if quantity == "battery" else "dBm")

    said, null, missing = (
        getattr(fields(read({"tilt": 40, "temp": 20, **more}, **{quantity: place})), field)
        for more in ({"x": "full"}, {"x": None}, {})
    )

    assert math.isnan(said)
    assert (null, missing) == (None, None)


def test_a_time_without_zone_is_refused_and_never_guessed() -> None:
    found = read({"tilt": 40, "temp": 20, "x": "2026-03-02T19:30:00"}, time=Place(pointer="/x", unit="iso"))

    assert "need their zone" in refusal(found).detail


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"angle": None}, "needs angle"),
        ({"float_level": None}, "exactly one of"),
        ({"float_name": "heron"}, "exactly one of"),
        ({"temperature": Place(pointer="/t", unit="C")}, "Cel, F, K"),
    ],
)
def test_a_wrong_mapping_says_what_to_write(change: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        mapping(**change)


def test_a_wrong_pointer_says_how_one_is_written() -> None:
    with pytest.raises(ValueError, match="/sensors/0/tilt"):
        Place(pointer="tilt", unit="deg")


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["tilt", "temp", "x"]), inner),
)


@given(st.binary(max_size=60) | values.map(lambda value: json.dumps(value).encode()))
def test_any_bytes_give_fields_or_a_refusal(payload: bytes) -> None:
    places = {"time": Place(pointer="/x", unit="ms"), "rssi": Place(pointer="/x", unit="dBm")}

    assert decode_json(mapping(**places), "cellar/wren/out", payload)
