from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest
import sqlalchemy

from gylewatch.errors import AlreadyExists, NotFound, StorageError
from gylewatch.values import Addition, BatchId, FloatId, PlanStep, VesselId
from storage.records import ChangedMeanwhile, FloatInUse, VesselInUse
from storage.schema import BatchRow
from storage.store import Store
from storage.stored import batch_to_json
from tests.storage.examples import at, batch, curve, float_record, references, sample, vessel_record

HERON = FloatId("heron")
WREN = FloatId("wren")
FV2 = VesselId("FV2")


def test_a_batch_comes_back_with_its_plan_and_additions(store: Store) -> None:
    facts = batch(
        original_gravity_sg=1.052,
        plan=(PlanStep(start=at(9000), temperature_c=(2.0, 5.0), label="cold crash"),),
        additions=(Addition(time=at(2000), gravity_points=4.5, label="cherries"),),
    )

    record = store.add_batch(facts, created=at(1))

    assert record.batch_id == "harbour-pale"
    assert store.batch(record.batch_id) == record
    assert (record.batch, record.created, record.ended, record.curve_version) == (facts, at(1), None, None)


def test_a_batch_is_read_under_the_newest_curve_that_its_float_has_then(store: Store) -> None:
    for minutes in (0, 1):
        store.add_curve(curve(), references(), who="Ada", note="", created=at(minutes))

    record = store.add_batch(batch(), created=at(2))
    store.add_curve(curve(), references(), who="Ada", note="", created=at(3))

    assert record.curve_version == 2
    assert store.batch(record.batch_id).curve_version == 2
    assert store.set_batch_curve(record.batch_id, 3).curve_version == 3
    with pytest.raises(NotFound, match="heron version 4"):
        store.set_batch_curve(record.batch_id, 4)


def test_a_second_batch_of_the_same_name_is_refused(store: Store) -> None:
    store.add_batch(batch("Harbour Pale"), created=at(0))

    with pytest.raises(AlreadyExists, match="a batch called 'harbour pale!' exists already"):
        store.add_batch(batch("harbour pale!", float_id=WREN), created=at(1))


def test_a_float_and_a_vessel_become_known_with_a_batch_or_not_at_all(store: Store) -> None:
    store.add_batch(batch("Amber"), created=at(0))
    tern, fv9 = float_record("tern"), vessel_record("FV9")
    facts = batch("Brown", float_id=FloatId("tern"), vessel=VesselId("FV9"))

    with pytest.raises(AlreadyExists, match="a batch called 'amber' exists already"):
        store.add_batch(batch("amber", float_id=FloatId("tern")), created=at(0), new=[tern, fv9])
    with pytest.raises(AlreadyExists, match="a float called 'heron' exists already"):
        store.add_batch(facts, created=at(0), new=[fv9, float_record("heron")])
    assert "tern" not in store.float_ids()
    assert "FV9" not in {each.vessel_id for each in store.vessels()}

    record = store.add_batch(facts, created=at(0), new=[tern, fv9])

    assert store.batch(record.batch_id).batch == facts
    moved = replace(facts, vessel=VesselId("FV10"))
    assert store.replace_batch(record, moved, new=[vessel_record("FV10")]).batch == moved


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"float_id": FloatId("tern")}, "no float is called 'tern'; add it first"),
        ({"vessel": VesselId("FV9")}, "no vessel is called 'FV9'; add it first"),
    ],
)
def test_a_batch_needs_a_known_float_and_vessel(store: Store, changes: dict[str, str], sentence: str) -> None:
    with pytest.raises(NotFound, match=sentence):
        store.add_batch(batch(**changes), created=at(0))

    assert store.batches() == ()


def test_two_batches_never_have_one_name(store: Store) -> None:
    pale = store.add_batch(batch("Harbour Pale"), created=at(0))
    store.end_batch(pale.batch_id, at(1))
    stout = store.add_batch(batch("Quay Stout"), created=at(2))

    with pytest.raises(AlreadyExists, match="a batch called 'Harbour  pale' exists already"):
        store.replace_batch(stout, batch("Harbour  pale"))
    store.replace_batch(store.batch(pale.batch_id), batch("Old Pale"))
    store.end_batch(stout.batch_id, at(3))
    with pytest.raises(AlreadyExists, match="a batch called 'Old Pale' exists already"):
        store.add_batch(batch("Old Pale"), created=at(4))

    assert [record.batch.name for record in store.batches()] == ["Old Pale", "Quay Stout"]
    store.replace_batch(store.batch(stout.batch_id), batch("quay stout", volume_l=20.0))  # its own


def test_a_float_in_an_active_batch_is_refused_to_another(store: Store) -> None:
    store.add_batch(batch("Harbour Pale"), created=at(0))

    with pytest.raises(FloatInUse, match="float 'heron' is in the active batch 'Harbour Pale'; end that batch first"):
        store.add_batch(batch("Quay Stout"), created=at(1))

    assert [record.batch.name for record in store.batches()] == ["Harbour Pale"]


def test_a_vessel_holds_one_beer_at_a_time(store: Store) -> None:
    pale = store.add_batch(batch("Harbour Pale"), created=at(0))
    stout = store.add_batch(batch("Quay Stout", float_id=WREN, vessel=FV2), created=at(1), new=[vessel_record("FV2")])
    tern = [float_record("tern")]
    third = batch("Pier Mild", float_id=FloatId("tern"))
    there = "vessel 'FV1' holds the active batch 'Harbour Pale'; end that batch first or choose another vessel"

    with pytest.raises(VesselInUse, match=there):
        store.add_batch(third, created=at(2), new=tern)
    with pytest.raises(VesselInUse, match=there):
        store.replace_batch(stout, batch("Quay Stout", float_id=WREN))
    assert store.batches() == (pale, stout)

    moved = store.replace_batch(pale, batch(vessel=VesselId("FV3")), new=[vessel_record("FV3")])
    store.add_batch(third, created=at(2), new=tern)  # what the refusal says helps, both of it
    store.end_batch(stout.batch_id, at(3))
    assert store.replace_batch(moved, batch(vessel=FV2)).batch.vessel == "FV2"


def test_two_beers_change_places_in_one_step(store: Store) -> None:
    pale = store.add_batch(batch("Harbour Pale"), created=at(0))
    stout = store.add_batch(batch("Quay Stout", float_id=WREN, vessel=FV2), created=at(1), new=[vessel_record("FV2")])

    changed = store.replace_batch(pale, batch(vessel=FV2, volume_l=19.0), swap=stout.batch_id)

    assert changed.batch == batch(vessel=FV2, volume_l=19.0)
    assert store.batch(stout.batch_id).batch == batch("Quay Stout", float_id=WREN, vessel=VesselId("FV1"))
    # The beer that was to make room has done so by itself.
    away = store.replace_batch(changed, batch(vessel=VesselId("FV3")), new=[vessel_record("FV3")])
    store.replace_batch(away, batch(vessel=FV2), swap=stout.batch_id)
    assert [each.batch.vessel for each in store.batches()] == ["FV2", "FV1"]


def test_places_are_not_changed_with_a_third_beer_in_the_way(store: Store) -> None:
    pale = store.add_batch(batch("Harbour Pale"), created=at(0))
    stout = store.add_batch(batch("Quay Stout", float_id=WREN, vessel=FV2), created=at(1), new=[vessel_record("FV2")])
    mild = batch("Pier Mild", float_id=FloatId("tern"), vessel=VesselId("FV3"))
    third = store.add_batch(mild, created=at(2), new=[float_record("tern"), vessel_record("FV3")])

    with pytest.raises(VesselInUse, match="vessel 'FV2' holds the active batch 'Quay Stout'"):
        store.replace_batch(pale, batch(vessel=FV2), swap=third.batch_id)
    store.end_batch(stout.batch_id, at(3))  # a beer that is over goes nowhere
    store.replace_batch(pale, batch(vessel=FV2), swap=stout.batch_id)

    assert [each.batch.vessel for each in store.batches()] == ["FV2", "FV3", "FV2"]
    assert store.batch(third.batch_id) == third


def test_an_ended_batch_is_corrected_whatever_its_vessel_holds_now(store: Store) -> None:
    pale = store.add_batch(batch("Harbour Pale"), created=at(0))
    ended = store.end_batch(pale.batch_id, at(1))
    store.add_batch(batch("Quay Stout", float_id=WREN), created=at(2))

    assert store.replace_batch(ended, batch(original_gravity_sg=1.052)).batch.original_gravity_sg == 1.052


def test_two_batches_that_an_older_version_let_into_one_vessel_go_on(store: Store, store_url: str) -> None:
    store.add_batch(batch("Harbour Pale"), created=at(0))
    shared = batch("Quay Stout", float_id=WREN, vessel=FV2)
    stout = store.add_batch(shared, created=at(1), new=[vessel_record("FV2")]).batch_id
    engine = sqlalchemy.create_engine(store_url.replace("postgresql:", "postgresql+psycopg:"))
    with engine.begin() as connection:
        document = batch_to_json(batch("Quay Stout", float_id=WREN))
        facts = {"vessel_id": "FV1", "document": document}
        connection.execute(sqlalchemy.update(BatchRow).where(BatchRow.batch_id == stout).values(**facts))
    engine.dispose()

    assert [record.batch.vessel for record in store.batches(active_only=True)] == ["FV1", "FV1"]
    changed = store.replace_batch(store.batch(stout), batch("Quay Stout", float_id=WREN, volume_l=19.0))
    assert changed.batch.volume_l == 19.0
    fv3 = batch("Pier Mild", float_id=FloatId("tern"), vessel=VesselId("FV3"))
    third = store.add_batch(fv3, created=at(2), new=[float_record("tern"), vessel_record("FV3")])
    with pytest.raises(VesselInUse):  # what it leaves is not free
        store.replace_batch(changed, replace(changed.batch, vessel=VesselId("FV3")), swap=third.batch_id)
    assert store.batch(third.batch_id) == third
    apart = store.replace_batch(changed, shared)
    with pytest.raises(VesselInUse):
        store.replace_batch(apart, changed.batch)


def test_of_many_who_start_a_batch_in_one_vessel_at_once_one_does(store: Store) -> None:
    names = [f"tern{number}" for number in range(6)]
    for name in names:
        store.add_float(float_record(name))

    def start(name: str) -> bool:
        try:
            store.add_batch(batch(f"Beer of {name}", float_id=FloatId(name)), created=at(0))
        except VesselInUse:
            return False
        return True

    with ThreadPoolExecutor(len(names)) as pool:
        assert sorted(pool.map(start, names)) == [False] * 5 + [True]
    assert len(store.batches()) == 1


def test_a_change_does_not_undo_another_one_that_it_has_not_seen(store: Store) -> None:
    seen = store.add_batch(batch(), created=at(0))
    first = store.replace_batch(seen, batch(volume_l=19.0))

    with pytest.raises(ChangedMeanwhile, match="was changed or ended by someone else at the same moment, and nothing"):
        store.replace_batch(seen, batch(original_gravity_sg=1.052))
    assert store.batch(seen.batch_id) == first

    ended = store.end_batch(seen.batch_id, at(9))
    with pytest.raises(ChangedMeanwhile):
        store.replace_batch(first, batch(volume_l=19.0, original_gravity_sg=1.052))
    assert store.batch(seen.batch_id) == ended


def test_a_float_is_free_again_when_its_batch_has_ended(store: Store) -> None:
    first = store.add_batch(batch("Harbour Pale"), created=at(0))
    store.end_batch(first.batch_id, at(10))
    assert store.batches(active_only=True) == ()

    second = store.add_batch(batch("Quay Stout", pitched=at(20)), created=at(20))

    assert store.batch(first.batch_id).ended == at(10)
    assert [record.batch_id for record in store.batches()] == ["harbour-pale", "quay-stout"]
    assert store.batches(active_only=True) == (second,)


def test_a_batch_cannot_end_before_it_was_pitched(store: Store) -> None:
    record = store.add_batch(batch(), created=at(0))

    with pytest.raises(StorageError, match="cannot end before that"):
        store.end_batch(record.batch_id, at(-1))

    assert store.batch(record.batch_id).ended is None


def test_facts_of_a_batch_can_change_under_the_same_identifier(store: Store) -> None:
    record = store.add_batch(batch(), created=at(0))
    changed = batch("Harbour Pale Ale", plan=(PlanStep(start=at(5), temperature_c=(20.0, 22.0), label="rest"),))

    store.replace_batch(record, changed)

    assert store.batch(record.batch_id).batch == changed
    assert store.batches()[0].batch_id == "harbour-pale"


def test_another_float_brings_its_own_curve_and_must_be_free(store: Store) -> None:
    store.add_curve(curve("heron"), references("heron"), who="Ada", note="", created=at(0))
    record = store.add_batch(batch(), created=at(1))
    moved = store.replace_batch(record, batch(float_id=WREN))
    assert moved.curve_version is None
    store.add_batch(batch("Quay Stout", vessel=FV2), created=at(2), new=[vessel_record("FV2")])

    with pytest.raises(FloatInUse, match="'Quay Stout'"):
        store.replace_batch(moved, batch(float_id=HERON))

    assert store.batch(record.batch_id).batch.float_id == WREN


def test_a_batch_that_is_not_there_is_named_in_the_refusal(store: Store) -> None:
    missing = BatchId("nowhere")
    gone = replace(store.add_batch(batch(), created=at(0)), batch_id=missing)

    for use in (
        lambda: store.batch(missing),
        lambda: store.end_batch(missing, at(1)),
        lambda: store.replace_batch(gone, batch()),
        lambda: store.add_sample(missing, sample(0)),
        lambda: store.save_outcomes(missing),
    ):
        with pytest.raises(NotFound, match="no batch is called 'nowhere'"):
            use()


def test_which_batches_were_removed_is_remembered(store: Store) -> None:
    first = store.add_batch(batch(), created=at(0)).batch_id
    assert store.removed_batches() == ()

    store.remove_batch(first)
    store.add_batch(batch(), created=at(0))
    store.remove_batch(first)  # once more

    assert store.removed_batches() == (first,)


def test_samples_come_in_order_of_time_and_new_ones_in_order_of_entry(store: Store) -> None:
    batch_id = store.add_batch(batch(), created=at(0)).batch_id
    late, early = sample(20, 1.030), sample(10, 1.040)

    first = store.add_sample(batch_id, late)
    second = store.add_sample(batch_id, early)

    assert store.samples(batch_id) == ((second, early), (first, late))
    assert store.sample_after(batch_id, 0) == ((first, late), (second, early))
    assert store.sample_after(batch_id, first) == ((second, early),)
    assert store.sample_after(batch_id, second) == ()


def test_a_sample_that_is_entered_twice_counts_once_until_it_is_withdrawn(store: Store) -> None:
    batch_id = store.add_batch(batch(), created=at(0)).batch_id
    first = store.add_sample(batch_id, sample(10))

    assert store.add_sample(batch_id, sample(10)) == first
    assert store.add_sample(batch_id, sample(10, 1.0410)) != first
    assert len(store.samples(batch_id)) == 2
    store.withdraw_sample(batch_id, first, who="Ada", time=at(30))
    assert store.add_sample(batch_id, sample(10)) > first


def test_a_withdrawn_sample_counts_no_more_and_the_batch_is_read_again(store: Store) -> None:
    batch_id = store.add_batch(batch(), created=at(0)).batch_id
    first, second = (store.add_sample(batch_id, sample(minutes)) for minutes in (10, 20))
    store.save_outcomes(batch_id, state=b"learnt from both", cursor=0, sample_cursor=second)

    store.withdraw_sample(batch_id, first, who="Ada", time=at(30))

    assert [number for number, _ in store.samples(batch_id)] == [second]
    assert [number for number, _ in store.sample_after(batch_id, 0)] == [second]
    assert store.footing(batch_id).withdrawn == 1
    assert store.state(batch_id) is None
    with pytest.raises(NotFound, match="no sample is called"):
        store.withdraw_sample(batch_id, first, who="Ada", time=at(31))
