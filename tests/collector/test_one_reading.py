"""One reading, several receivers: stored once, with the best signal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from collector.one_reading import Kept, keep
from collector.packet import Packet, Source
from gylewatch.values import FloatId, Reading

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
HERON = FloatId("heron")
RADIO, BRIDGE = (Source.BLE, ""), (Source.MQTT, "cellar")
Heard = tuple[tuple[Source, str], float, int | None]


def of(seconds: float, rssi_dbm: int | None = None, **changes: Any) -> Reading:
    time = NOON + timedelta(seconds=seconds)
    plain = Reading(time=time, float_id=HERON, angle_deg=45.3, temperature_c=19.06, rssi_dbm=rssi_dbm)
    return replace(plain, **changes)


def through(receiver: tuple[Source, str], arrived_s: float) -> Packet:
    received = NOON + timedelta(seconds=arrived_s)
    return Packet(source=receiver[0], receiver=receiver[1], origin="heron", payload=b"", received=received)


def stored(*heard: Heard) -> list[tuple[float, int | None]]:
    """Seconds and signal of each stored reading, when a float that says no time is heard."""
    kept: Mapping[FloatId, Kept] = {}
    readings: list[Reading] = []
    for receiver, seconds, rssi_dbm in heard:
        kept, is_new = keep(kept, through(receiver, seconds), of(seconds, rssi_dbm))
        readings = [*readings, kept[HERON].reading] if is_new else [*readings[:-1], kept[HERON].reading]
    return [((each.time - NOON).total_seconds(), each.rssi_dbm) for each in readings]


def test_a_radio_and_a_bridge_give_one_reading_with_the_first_time_and_the_best_signal() -> None:
    assert stored((RADIO, 0, -80), (BRIDGE, 0.4, -62)) == [(0, -62)]
    assert stored((BRIDGE, 0.4, -62), (RADIO, 0, -80)) == [(0.4, -62)]
    assert stored((BRIDGE, 0.4, None), (RADIO, 0, -80)) == [(0.4, -80)]
    assert stored((RADIO, 0, -80), (BRIDGE, 0.4, None)) == [(0, -80)]


def test_a_float_that_says_the_same_each_second_is_a_reading_each_second() -> None:
    heard: list[Heard] = [(RADIO, 0, -80), (BRIDGE, 0.3, -70), (RADIO, 1, -81), (BRIDGE, 1.3, -71)]

    assert stored(*heard) == [(0, -70), (1, -71)]


def test_what_the_other_receiver_says_later_is_a_reading_of_its_own() -> None:
    assert stored((RADIO, 0, -80), (BRIDGE, 900, -62)) == [(0, -80), (900, -62)]


@pytest.mark.parametrize("change", [{"angle_deg": 45.4}, {"temperature_c": 19.0}])
def test_other_values_are_another_reading(change: dict[str, Any]) -> None:
    kept, _ = keep({}, through(RADIO, 0), of(0))

    _, is_new = keep(kept, through(BRIDGE, 0.2), of(0.2, **change))

    assert is_new


def test_radians_there_and_back_are_the_same_value() -> None:
    kept, _ = keep({}, through(RADIO, 0), of(0))

    _, is_new = keep(kept, through(BRIDGE, 0.2), of(0.2, angle_deg=45.3 * (1 + 1e-12)))

    assert not is_new


def test_a_time_that_the_float_said_itself_must_be_the_same() -> None:
    kept, _ = keep({}, through(BRIDGE, 60), of(0, -70))

    same, is_new = keep(kept, through((Source.MQTT, "attic"), 200), of(0, -60))
    _, another_is_new = keep(kept, through((Source.MQTT, "attic"), 200), of(1, -60))

    assert (is_new, same[HERON].reading) == (False, of(0, -60))
    assert another_is_new
