from __future__ import annotations

import pytest

from calibration import session as sessions
from gylewatch.errors import AlreadyExists, NotFound
from gylewatch.values import FloatId, VesselId
from storage.records import StillInUse
from storage.registry import KEPT_HEARD_FLOATS
from storage.store import Store
from tests.storage.examples import at, batch, curve, float_record, reading, references, vessel_record


def hear(store: Store, name: str, minutes: float) -> None:
    store.heard(name, source="ble", time=at(minutes), rssi_dbm=-70, values={"angle_deg": 40.5, "battery_v": None})


def test_floats_come_back_in_order_of_their_names(empty_store: Store) -> None:
    wren = float_record("wren", address="C0:FF:EE:00:00:01", note="spare")
    heron = float_record("heron")

    empty_store.add_float(wren)
    empty_store.add_float(heron)

    assert empty_store.floats() == (heron, wren)
    assert empty_store.float_ids() == {"heron", "wren"}


def test_numbered_floats_and_vessels_come_in_the_order_of_their_numbers(empty_store: Store) -> None:
    for number in (10, 2, 1):
        empty_store.add_float(float_record(f"float{number}"))
        empty_store.add_vessel(vessel_record(f"FV{number}"))

    assert [record.float_id for record in empty_store.floats()] == ["float1", "float2", "float10"]
    assert [record.vessel_id for record in empty_store.vessels()] == ["FV1", "FV2", "FV10"]


def test_a_second_float_of_the_same_name_is_refused(empty_store: Store) -> None:
    empty_store.add_float(float_record("heron", note="first"))

    with pytest.raises(AlreadyExists, match="a float called 'heron' exists already"):
        empty_store.add_float(float_record("heron", note="second"))

    assert empty_store.floats() == (float_record("heron", note="first"),)


def test_two_floats_cannot_have_one_address(empty_store: Store) -> None:
    empty_store.add_float(float_record("heron", address="C0:FF:EE:00:00:01"))

    with pytest.raises(AlreadyExists, match="C0:FF:EE:00:00:01"):
        empty_store.add_float(float_record("wren", address="C0:FF:EE:00:00:01"))


def test_an_address_is_the_same_in_small_letters(empty_store: Store) -> None:
    empty_store.add_float(float_record("heron", address="c0:ff:ee:00:00:01"))

    with pytest.raises(AlreadyExists):
        empty_store.add_float(float_record("wren", address="C0:FF:EE:00:00:01"))


def test_two_floats_may_be_without_address(empty_store: Store) -> None:
    empty_store.add_float(float_record("heron"))
    empty_store.add_float(float_record("wren"))

    assert len(empty_store.floats()) == 2


def test_a_vessel_comes_back_and_its_name_is_taken(empty_store: Store) -> None:
    empty_store.add_vessel(vessel_record("FV1"))

    with pytest.raises(AlreadyExists, match="a vessel called 'FV1' exists already"):
        empty_store.add_vessel(vessel_record("FV1"))

    assert empty_store.vessels() == (vessel_record("FV1"),)


def test_an_unknown_float_that_is_heard_again_keeps_its_first_time_and_its_last_values(empty_store: Store) -> None:
    hear(empty_store, "lark", 0)

    empty_store.heard("lark", source="mqtt", time=at(5), rssi_dbm=-60, values={"angle_deg": 41.0})

    (lark,) = empty_store.heard_floats()
    assert (lark.first_heard, lark.last_heard, lark.packets) == (at(0), at(5), 2)
    assert (lark.source, lark.rssi_dbm, dict(lark.values)) == ("mqtt", -60, {"angle_deg": 41.0})


def test_many_packets_of_an_unknown_float_can_be_noted_at_once(empty_store: Store) -> None:
    for packets in (40, 2):
        empty_store.heard("lark", source="ble", time=at(0), rssi_dbm=None, packets=packets, values={})

    assert [item.packets for item in empty_store.heard_floats()] == [42]


def test_an_ignored_float_is_not_listed_until_it_is_wanted_again(empty_store: Store) -> None:
    hear(empty_store, "lark", 0)
    empty_store.ignore_heard("lark")
    hear(empty_store, "lark", 1)
    assert empty_store.heard_floats() == ()
    assert [item.ignored for item in empty_store.heard_floats(with_ignored=True)] == [True]

    empty_store.ignore_heard("lark", ignored=False)

    assert [item.name for item in empty_store.heard_floats()] == ["lark"]


def test_a_float_that_was_never_heard_cannot_be_ignored(empty_store: Store) -> None:
    with pytest.raises(NotFound, match="'lark'"):
        empty_store.ignore_heard("lark")


@pytest.mark.parametrize("adopted", [float_record("lark"), float_record("tern", address="lark")])
def test_a_float_that_was_adopted_is_no_longer_listed_as_unknown(empty_store: Store, adopted: object) -> None:
    hear(empty_store, "lark", 0)
    hear(empty_store, "rook", 0)

    empty_store.add_float(adopted)  # type: ignore[arg-type]

    assert [item.name for item in empty_store.heard_floats()] == ["rook"]


def test_a_flood_of_invented_names_pushes_out_the_oldest_but_none_that_is_ignored(empty_store: Store) -> None:
    hear(empty_store, "pest", 0)
    empty_store.ignore_heard("pest")

    for number in range(KEPT_HEARD_FLOATS + 5):
        hear(empty_store, f"invented-{number}", 1 + number)

    names = [item.name for item in empty_store.heard_floats(with_ignored=True)]
    assert names == [f"invented-{number}" for number in range(KEPT_HEARD_FLOATS + 4, 4, -1)] + ["pest"]


def test_a_float_that_was_named_by_mistake_is_unknown_again(store: Store) -> None:
    store.keep_calibration(sessions.begin(FloatId("wren"), (1.0, 1.03, 1.06), begun=at(0)))

    store.remove_float(FloatId("wren"))

    assert store.float_ids() == {"heron"}
    assert store.calibration(FloatId("wren")) is None
    with pytest.raises(NotFound, match="no float is called 'wren'; list them with: gylewatch float list"):
        store.remove_float(FloatId("wren"))


def test_a_float_to_which_something_belongs_stays(store: Store) -> None:
    wren = FloatId("wren")

    def stays(why: str) -> None:
        with pytest.raises(StillInUse, match=f"float 'wren' stays: {why}"):
            store.remove_float(wren)
        assert wren in store.float_ids()

    store.add_curve(curve("wren"), references("wren"), who="Ada", note="", created=at(0))
    stays("it is calibrated, and its curves are kept")
    store.append_readings([reading(0, name="wren")])
    stays("it was heard, and its readings are kept")
    store.add_batch(batch(float_id=wren), created=at(0))
    stays("the batch 'harbour-pale' is measured with it")


def test_a_vessel_goes_only_while_no_batch_was_in_it(store: Store) -> None:
    store.add_vessel(vessel_record("FV2"))
    store.end_batch(store.add_batch(batch(), created=at(0)).batch_id, at(1))

    store.remove_vessel(VesselId("FV2"))

    with pytest.raises(StillInUse, match="vessel 'FV1' stays: the batch 'harbour-pale' is or was in it"):
        store.remove_vessel(VesselId("FV1"))
    with pytest.raises(NotFound, match="no vessel is called 'FV2'"):
        store.remove_vessel(VesselId("FV2"))
    assert [each.vessel_id for each in store.vessels()] == ["FV1"]
