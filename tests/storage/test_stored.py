from __future__ import annotations

import json
import math
from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from gylewatch.values import Addition, Batch, FloatId, HandSettings, PlanStep, Reference, VesselId
from storage.stored import batch_from_json, batch_to_json, finite, references_from_json, references_to_json

times = st.datetimes(datetime(1970, 1, 1), datetime(2200, 1, 1)).map(lambda time: time.replace(tzinfo=UTC))  # noqa: DTZ001
names = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,62}", fullmatch=True)


def pairs(low: float, high: float) -> st.SearchStrategy[tuple[float, float]]:
    two = st.lists(st.floats(low, high), min_size=2, max_size=2, unique=True)
    return two.map(lambda values: (min(values), max(values)))


plans = st.lists(st.builds(PlanStep, start=times, temperature_c=pairs(-5, 50), label=st.text()), max_size=4).map(
    lambda steps: tuple(sorted(steps, key=lambda step: step.start))
)
additions = st.lists(
    st.builds(Addition, time=times, gravity_points=st.none() | st.floats(0, 50), label=st.text()), max_size=4
).map(tuple)
batches = st.builds(
    Batch,
    name=st.text(min_size=1).filter(lambda text: bool(text.strip())),
    pitched=times,
    float_id=names.map(FloatId),
    vessel=names.map(VesselId),
    volume_l=st.floats(0.1, 1e6),
    expected_attenuation=pairs(0.2, 1.2),
    temperature_c=pairs(-5, 50),
    original_gravity_sg=st.none() | st.floats(1.005, 1.2),
    plan=plans,
    additions=additions,
    instruments=st.builds(
        HandSettings,
        hydrometer_calibration_c=st.floats(0, 40),
        hydrometer_offset_sg=st.floats(-0.01, 0.01),
        hydrometer_meniscus_sg=st.floats(-0.002, 0.002),
        wort_correction_factor=st.floats(0.95, 1.1),
        refractometer_compensates=st.booleans(),
    ),
)
references = st.builds(
    Reference,
    float_id=names.map(FloatId),
    angle_deg=st.floats(0, 180),
    gravity_sg=st.floats(0.97, 1.25),
    temperature_c=st.floats(0, 60),
    angle_sd_deg=st.none() | st.floats(0, 10),
    gravity_sd_sg=st.none() | st.floats(0, 0.1),
)


@given(batches)
def test_a_batch_comes_back_from_json_as_it_went_in(batch: Batch) -> None:
    assert batch_from_json(json.loads(json.dumps(batch_to_json(batch)))) == batch


@given(batches)
def test_a_batch_stored_before_instruments_could_be_stated_has_the_contract_s(batch: Batch) -> None:
    document = batch_to_json(batch)
    del document["instruments"]

    assert batch_from_json(document).instruments == HandSettings()


@given(st.lists(references).map(tuple))
def test_reference_points_come_back_from_json_as_they_went_in(points: tuple[Reference, ...]) -> None:
    assert references_from_json(json.loads(json.dumps(references_to_json(points)))) == points


def test_evidence_that_json_cannot_hold_becomes_null() -> None:
    kept = finite({"a": math.nan, "b": -math.inf, "c": 1.5, "d": True, "e": "x", "f": None})

    assert kept == {"a": None, "b": None, "c": 1.5, "d": True, "e": "x", "f": None}
