"""One brew from its seed, and the files of one brew."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from tests.cellar.brewing import Course, brew
from tests.cellar.disturbance import Disturbance, disturb
from tests.cellar.float_body import FloatBody, ReferenceRow, calibrate, draw_float
from tests.cellar.radio import Record, receive
from tests.cellar.recipe import Recipe, draw_recipe
from tests.cellar.sampling import SampleRow, draw_samples, draw_times, original_gravity
from tests.cellar.truth import Truth, tell

FIRST_DAY = datetime(2026, 1, 10, 8, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class CellarBrew:
    """Everything about one brew."""

    seed: int
    pitched: datetime
    recipe: Recipe
    course: Course
    trouble: Disturbance
    body: FloatBody
    references: tuple[ReferenceRow, ...]
    samples: tuple[SampleRow, ...]
    written_original_sg: float | None
    record: Record
    truth: Truth


def make(seed: int) -> CellarBrew:
    """The brew of a seed, always the same."""
    # A source of its own for each part: to change one leaves the others as they are.
    beer, hand, vessel, solutions, radio = np.random.default_rng([1, seed]).spawn(5)
    recipe = draw_recipe(beer)
    course = brew(recipe, beer)
    times = draw_times(course, hand)
    trouble = disturb(recipe, course, times, vessel)
    body = draw_float(solutions)
    record = receive(recipe, course, trouble, body, radio)
    return CellarBrew(
        seed=seed,
        pitched=FIRST_DAY + timedelta(days=3 * (seed % 100), minutes=int(hand.integers(0, 720))),
        recipe=recipe,
        course=course,
        trouble=trouble,
        body=body,
        references=calibrate(body, recipe, solutions),
        samples=draw_samples(recipe, course, times, hand),
        written_original_sg=original_gravity(recipe, hand),
        record=record,
        truth=tell(recipe, course, trouble, record),
    )


def _or_empty(value: float | None, form: str = "") -> str:
    return "" if value is None else format(value, form)


def _time(made: CellarBrew, hour: float) -> str:
    return f"{made.pitched + timedelta(seconds=round(3600.0 * hour)):%Y-%m-%dT%H:%M:%SZ}"


def _readings(made: CellarBrew) -> list[str]:
    rows = ["time,float,angle_deg,temperature_c,battery_v,rssi_dbm"]
    for packet in made.record.packets:
        measured = f"{packet.angle_deg:g},{packet.temperature_c:g},{_or_empty(packet.battery_v)}"
        rows.append(f"{_time(made, packet.time_h)},{made.body.name},{measured},{_or_empty(packet.rssi_dbm)}")
    return rows


def _samples(made: CellarBrew) -> list[str]:
    rows = ["time,instrument,value,unit,sample_temperature_c"]
    rows += [
        f"{_time(made, each.time_h)},{each.instrument},{each.value:g},{each.unit},{each.temperature_c:g}"
        for each in made.samples
    ]
    return rows


def _references(made: CellarBrew) -> list[str]:
    rows = ["float,angle_deg,angle_sd_deg,gravity_sg,gravity_sd_sg,temperature_c"]
    for each in made.references:
        angle = f"{each.angle_deg:.2f},{_or_empty(each.angle_sd_deg, '.2f')}"
        gravity = f"{each.gravity_sg:.4f},{_or_empty(each.gravity_sd_sg, '.4f')}"
        rows.append(f"{made.body.name},{angle},{gravity},{each.temperature_c:.1f}")
    return rows


def _batch(made: CellarBrew) -> list[str]:
    recipe = made.recipe
    rows = ["[batch]", f'name = "{recipe.style.name} {made.seed}"', f"volume_l = {recipe.volume_l}"]
    rows.append(f"pitched = {_time(made, 0.0)}")
    if made.written_original_sg is not None:
        rows.append(f"original_gravity = {made.written_original_sg:.4f}")
    low, high = recipe.expected_attenuation
    rows += [f"expected_attenuation = [{low:.2f}, {high:.2f}]"]
    rows += [f"temperature_c = [{recipe.wanted_c[0]}, {recipe.wanted_c[1]}]"]
    rows += [f'vessel = "FV{1 + made.seed % 7}"', f'float = "{made.body.name}"']
    for step in made.course.plan:
        rows += ["[[batch.plan]]", f"from = {_time(made, step.time_h)}"]
        rows += [f"temperature_c = [{step.wanted_c[0]}, {step.wanted_c[1]}]", f'label = "{step.label}"']
    return rows


def _truth_rows(made: CellarBrew) -> list[str]:
    course, trouble = made.course, made.trouble
    gravity = made.recipe.original_sg - course.fallen_points / 1000.0
    columns = (course.time_h, gravity, course.rate, course.temperature_c, trouble.foam, trouble.lasting)
    header = "hours_since_pitching,gravity_sg,rate_points_per_day,temperature_c,krausen_points,float_bias_points"
    rows = [
        f"{hour:.2f},{sg:.6f},{rate:.4f},{warmth:.2f},{foam:.3f},{bias:.3f}"
        for hour, sg, rate, warmth, foam, bias in zip(*(each.tolist() for each in columns), strict=True)
    ]
    return [header, *rows]


def write(made: CellarBrew, folder: Path) -> None:
    """Write the files of the contract, and the truth beside them."""
    folder.mkdir(parents=True, exist_ok=True)
    files = {
        "readings.csv": _readings(made),
        "samples.csv": _samples(made),
        "references.csv": _references(made),
        "batch.toml": _batch(made),
        "truth.csv": _truth_rows(made),
        "truth.json": [json.dumps(asdict(made.truth), indent=1)],
    }
    for name, rows in files.items():
        (folder / name).write_text("\n".join(rows) + "\n", encoding="utf-8")
