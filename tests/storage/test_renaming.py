"""A float or vessel has another name: what was kept under the old one is found under the new one, and only there."""

from __future__ import annotations

from dataclasses import replace

import pytest

from calibration import session as sessions
from gylewatch.errors import AlreadyExists, NotFound
from gylewatch.values import BatchId, FloatId, ProbeReading, VesselId
from storage.store import Store
from tests.storage.examples import (
    alert,
    at,
    batch,
    curve,
    estimate,
    float_record,
    reading,
    references,
    rejected,
    sample,
    vessel_record,
)

HERON, EGRET, WREN = FloatId("heron"), FloatId("egret"), FloatId("wren")
FV1, TANK = VesselId("FV1"), VesselId("Tank-1")
ADDRESS = "C0:FF:EE:00:00:01"


@pytest.fixture
def used(empty_store: Store) -> Store:
    """A float with all that a float can have, beside another one."""
    store = empty_store
    store.add_float(float_record("heron", address=ADDRESS, note="the tall one"))
    store.add_float(float_record("wren"))
    store.add_vessel(vessel_record("FV1"))
    for who in ("Ada", "Bo"):
        store.add_curve(curve(), references(), who=who, note="", created=at(0))
    store.keep_calibration(sessions.begin(HERON, (1.0, 1.03, 1.06), begun=at(0)))
    store.append_readings([reading(0), reading(15)], counters={HERON: 41})
    store.append_readings([reading(0, name="wren")])
    store.end_batch(store.add_batch(batch("Old Ale"), created=at(0)).batch_id, at(10))
    running = store.add_batch(batch(), created=at(0)).batch_id
    store.add_sample(running, sample(5))
    store.save_outcomes(running, estimates=[estimate(5)], alerts=[alert(5)])
    return store


def test_all_that_a_float_has_follows_its_name(used: Store) -> None:
    ids = [row for row, _ in used.readings_after(HERON, 0, 10)]

    used.rename_float(HERON, EGRET)

    assert used.floats() == (
        replace(float_record("egret", address=ADDRESS, note="the tall one"), counter=41),
        float_record("wren"),
    )
    kept = used.readings_after(EGRET, 0, 10)
    assert kept == tuple((row, reading(minutes, name="egret")) for row, minutes in zip(ids, (0, 15), strict=True))
    assert [(each.version, each.who, each.curve, each.references) for each in used.curves(EGRET)] == [
        (1, "Ada", replace(curve(), float_id=EGRET), references("egret")),
        (2, "Bo", replace(curve(), float_id=EGRET), references("egret")),
    ]
    assert used.calibration(EGRET) == sessions.begin(EGRET, (1.0, 1.03, 1.06), begun=at(0))
    assert [(each.batch.float_id, each.curve_version, each.batch.name) for each in used.batches()] == [
        (EGRET, 2, "Harbour Pale"),
        (EGRET, 2, "Old Ale"),
    ]
    running = BatchId("harbour-pale")
    assert len(used.samples(running)) == len(used.estimates(running)) == len(used.open_alerts(running)) == 1


def test_nothing_is_left_under_the_old_name_of_a_float_and_others_are_as_they_were(used: Store) -> None:
    used.rename_float(HERON, EGRET)

    assert (used.readings(HERON), used.curves(HERON), used.calibration(HERON)) == ((), (), None)
    with pytest.raises(NotFound, match="no float is called 'heron'"):
        used.append_readings([reading(30)])
    assert used.readings(WREN) == (reading(0, name="wren"),)
    used.add_float(float_record("heron"))  # the name is free


def test_the_old_name_can_be_given_back(used: Store) -> None:
    before = used.floats(), used.curves(HERON), used.readings(HERON), used.batches()

    used.rename_float(HERON, EGRET)
    used.rename_float(EGRET, HERON)

    assert (used.floats(), used.curves(HERON), used.readings(HERON), used.batches()) == before


def test_a_new_name_that_was_heard_is_unknown_no_more(used: Store) -> None:
    for name in ("egret", "lark"):
        used.heard(name, source="mqtt", time=at(0), rssi_dbm=None, values={})

    used.rename_float(HERON, EGRET)

    assert [each.name for each in used.heard_floats()] == ["lark"]


def test_what_was_refused_keeps_the_name_under_which_it_came(used: Store) -> None:
    used.append_rejected([replace(rejected(), float_id="heron")])

    used.rename_float(HERON, EGRET)

    assert [each.float_id for each in used.rejected()] == ["heron"]


def test_a_float_is_not_given_the_name_of_another_nor_one_that_is_not_known_another_name(used: Store) -> None:
    before = used.floats(), used.readings(HERON), used.batches()

    with pytest.raises(AlreadyExists, match="a float called 'wren' exists already; choose another name"):
        used.rename_float(HERON, WREN)
    with pytest.raises(NotFound, match="no float is called 'lark'; list them with: gylewatch float list"):
        used.rename_float(FloatId("lark"), EGRET)

    assert (used.floats(), used.readings(HERON), used.batches()) == before


def test_all_that_a_vessel_has_follows_its_name(used: Store) -> None:
    used.add_vessel(vessel_record("FV2"))
    heard = [
        ProbeReading(time=at(minutes), probe=f"in-{vessel}", vessel=VesselId(vessel), temperature_c=18.0)
        for minutes, vessel in ((0, "FV1"), (1, "FV2"))
    ]
    used.append_probe_readings(heard)
    kept = used.probe_readings_after(FV1, 0, 10)

    used.rename_vessel(FV1, TANK)

    assert [each.vessel_id for each in used.vessels()] == ["FV2", TANK]
    assert used.vessels()[1] == vessel_record(TANK)
    assert [each.batch.vessel for each in used.batches()] == [TANK, TANK]
    assert used.probe_readings_after(TANK, 0, 10) == tuple((row, replace(each, vessel=TANK)) for row, each in kept)
    assert used.probe_readings(VesselId("FV2")) == (heard[1],)
    assert used.probe_readings(FV1) == ()
    used.remove_vessel(VesselId("FV2"))
    used.rename_vessel(TANK, FV1)
    assert used.vessels() == (vessel_record("FV1"),)


def test_a_vessel_is_not_given_the_name_of_another_nor_one_that_is_not_known_another_name(used: Store) -> None:
    used.add_vessel(vessel_record("FV2"))

    with pytest.raises(AlreadyExists, match="a vessel called 'FV2' exists already"):
        used.rename_vessel(FV1, VesselId("FV2"))
    with pytest.raises(NotFound, match="no vessel is called 'FV3'; list them with: gylewatch vessel list"):
        used.rename_vessel(VesselId("FV3"), TANK)

    assert [each.vessel_id for each in used.vessels()] == ["FV1", "FV2"]
    assert [each.batch.vessel for each in used.batches()] == [FV1, FV1]
